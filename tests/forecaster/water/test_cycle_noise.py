"""How cycles stray: the running moments against sums over all differences, and what they are read as."""

from __future__ import annotations

import numpy as np
import pytest

from forecaster.maths.arrays import Array
from forecaster.water.cycle_noise import CycleNoise


def fed(rates: list[float]) -> CycleNoise:
    noise = CycleNoise()
    for rate in rates:
        noise.update(rate)
    return noise


def differences(rates: list[float]) -> Array:
    """Of neighbours, over their mean, cut at a half."""
    r = np.array(rates)
    return np.asarray(np.clip(2.0 * np.diff(r) / (r[1:] + r[:-1]), -0.5, 0.5))


def test_before_a_cycle_an_end_strays_by_3_percent_and_its_middle_by_2() -> None:
    """Common practice, no source; of n cycles 2 u / n² + c / n."""
    noise = CycleNoise()
    assert noise.end == pytest.approx(0.03**2)
    assert noise.inner == pytest.approx(0.02**2)
    assert noise.variance(1.0) == pytest.approx(2 * 0.03**2 + 0.02**2)
    assert noise.variance(10.0) == pytest.approx(2 * 0.03**2 / 100 + 0.02**2 / 10)


@pytest.mark.parametrize("count", [3, 10, 60])
def test_the_moments_are_those_of_all_differences_with_a_prior_that_counts_as_six(count: int) -> None:
    """The first difference has no neighbour before it and is left out of both."""
    rates = list(np.random.default_rng(count).uniform(20.0, 60.0, count))
    steps, noise = differences(rates), fed(rates)
    squares, products = np.sum(steps[1:] ** 2), np.sum(steps[1:] * steps[:-1])
    assert noise.square == pytest.approx((6 * (6 * 0.0009 + 2 * 0.0004) + squares) / (6 + count - 2))
    assert noise.product == pytest.approx((-6 * (4 * 0.0009 + 0.0004) + products) / (6 + count - 2))


def test_what_was_long_ago_fades_by_a_two_hundredth_a_cycle() -> None:
    noise = fed([40.0, 50.0] * 150)
    before = noise.square
    for _ in range(101):
        noise.update(50.0)
    assert noise.square == pytest.approx(before * (1 - 1 / 200) ** 101)


@pytest.mark.parametrize(("end", "inner"), [(0.04, 0.0), (0.0, 0.04), (0.03, 0.02)])
def test_ends_and_middles_are_told_apart(end: float, inner: float) -> None:
    """Rates with end and inner errors of known spreads, averaged over 40 histories of 400 cycles."""
    rng = np.random.default_rng(5)
    found = []
    for _ in range(40):
        ends, within = rng.normal(0.0, end, 401), rng.normal(0.0, inner, 400)
        noise = fed(list(40.0 * (1.0 + np.diff(ends) + within)))
        found.append((noise.end, noise.inner))
    assert np.mean(found, axis=0) == pytest.approx([end**2, inner**2], abs=6e-4)


def test_no_difference_is_taken_over_a_gap() -> None:
    whole, broken = fed([40.0, 44.0, 42.0]), fed([40.0, 44.0, 42.0])
    broken.interrupt()
    for rate in (80.0, 80.0):
        broken.update(rate)
    assert (broken.square, broken.product) == (whole.square, whole.product)
