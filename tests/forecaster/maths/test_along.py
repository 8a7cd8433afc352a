"""Sums and peaks along rows against numpy's own."""

from __future__ import annotations

import numpy as np
import pytest

from forecaster.maths.arrays import peaks_along, summed_along


@pytest.mark.parametrize("shape", [(1, 1), (3, 1), (1, 5), (40, 17)])
def test_sums_and_peaks_are_those_of_numpy(shape: tuple[int, int]) -> None:
    values = np.random.default_rng(3).standard_normal(shape).astype(np.float32)
    sums = summed_along(values)
    assert sums[:, 0].tolist() == [0.0] * shape[0]
    assert np.array_equal(sums[:, 1:], np.cumsum(values, axis=1))
    for laid_out in (values, np.asfortranarray(values)):
        before = laid_out.copy()
        assert np.array_equal(peaks_along(laid_out), np.maximum.accumulate(values, axis=1))
        assert np.array_equal(laid_out, before), "the argument stays"


def test_no_time_ahead_is_a_sum_of_nothing() -> None:
    assert summed_along(np.zeros((4, 0), dtype=np.float32)).tolist() == [[0.0]] * 4
