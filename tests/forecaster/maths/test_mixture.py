"""Quantiles of mixtures of normals, against scipy's normal distribution and a root finder."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.stats import norm

from forecaster.maths.mixture import _by_newton, mixture_quantiles

LEVELS = (0.05, 0.5, 0.95)


def test_one_component_is_the_normal_distribution() -> None:
    """scipy.stats.norm.ppf."""
    found = mixture_quantiles(np.array([20.0]), np.array([3.0]), np.array([1.0]), LEVELS)
    assert found == pytest.approx(norm.ppf(LEVELS, 20.0, 3.0), abs=3.0 * 1e-4)


def test_a_component_that_is_certain_is_its_value() -> None:
    assert mixture_quantiles(np.array([7.0]), np.array([0.0]), np.array([1.0]), (0.5,)) == pytest.approx([7.0])


@given(
    st.lists(st.tuples(st.floats(0, 100), st.floats(0.1, 30), st.floats(0.05, 1)), min_size=2, max_size=8),
    st.floats(0.02, 0.98),
)
@example([(0.0, 0.5, 0.7), (20.0, 20.0, 0.3)], 0.75)  # a narrow component at the end of the last bracket
@example([(0.0, 0.5, 0.7), (30.0, 30.0, 0.3)], 0.75)
def test_a_mixture_agrees_with_a_root_finder(parts: list[tuple[float, float, float]], level: float) -> None:
    """scipy.optimize.brentq on the mixture's distribution function."""
    mean, deviation, weight = (np.array(column) for column in zip(*parts, strict=True))
    weight = weight / weight.sum()

    def below(value: float) -> float:
        return float(norm.cdf(value, mean, deviation) @ weight) - level

    wanted = brentq(below, float(np.min(mean - 9 * deviation)), float(np.max(mean + 9 * deviation)))
    (found,) = mixture_quantiles(mean, deviation, weight, (level,))
    assert below(found) == pytest.approx(0.0, abs=1e-3), (found, wanted)


def test_quantiles_are_in_order() -> None:
    found = mixture_quantiles(np.array([1.0, 50.0]), np.array([0.5, 9.0]), np.array([0.5, 0.5]), LEVELS)
    assert found == sorted(found)


def test_newtons_steps_arrive_by_themselves_where_components_overlap() -> None:
    """Against scipy's root of the mixture's distribution; a density that is wrong by a factor does not get there."""
    middle, spread, share = np.array([8.0, 10.0, 13.0]), np.array([2.0, 1.5, 3.0]), np.array([0.3, 0.5, 0.2])
    found = _by_newton(middle, spread, share, np.array(LEVELS))
    assert found is not None
    for value, level in zip(found.tolist(), LEVELS, strict=True):
        true = brentq(lambda x, level=level: float(share @ norm.cdf(x, middle, spread)) - level, -20.0, 50.0)
        assert value == pytest.approx(true, abs=0.005)
