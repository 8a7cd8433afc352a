"""Medians and quantiles of small arrays, against numpy's own."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecaster.maths.ranks import linear_quantile, median

NUMBERS = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=9)


def test_the_middle_of_an_even_count_is_the_mean_of_two() -> None:
    assert median(np.array([9.0, 1.0, 6.0, 2.0])) == 4.0
    assert median(np.array([9.0, 1.0, 6.0])) == 6.0
    assert median(np.array([9.0])) == 9.0


@given(NUMBERS)
def test_a_median_is_that_of_numpy(numbers: list[float]) -> None:
    """numpy.median."""
    assert median(np.array(numbers)) == np.median(numbers)


@given(NUMBERS, st.floats(0.0, 1.0))
def test_a_quantile_is_that_of_numpy(numbers: list[float], level: float) -> None:
    """numpy.quantile, linear between the draws; it adds up in another order."""
    ordered = np.sort(numbers)
    assert linear_quantile(ordered, level) == pytest.approx(float(np.quantile(ordered, level)), rel=1e-9, abs=1e-9)
