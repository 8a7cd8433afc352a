"""Rain that is forecast, through reservoirs, against the plain sum over its hours."""

from __future__ import annotations

import numpy as np
import pytest

from forecaster.domain.forecast import HORIZON_H
from forecaster.engine.reserve import ahead_grid_s
from forecaster.water.ahead import fallen_through
from forecaster.water.refit import BOUNDS_H
from forecaster.water.storms import filled_h

AHEAD_H = ahead_grid_s() / 3600.0
SCALES_H = np.array([BOUNDS_H[0][0], 2.7, 17.0, 150.0])


def test_forecast_rain_is_the_sum_of_its_hours() -> None:
    """A linear reservoir answers an hour of even rain as it does a step, less the same step an hour later."""
    begins_h = np.array([0.0, 0.3, 1.0, 47.6, HORIZON_H - 0.5, HORIZON_H + 200.0])
    depth_mm = np.array([2.0, 0.0, 11.0, 5.0, 3.0, 400.0])
    found = fallen_through(AHEAD_H, begins_h, depth_mm, SCALES_H)
    for tau_h, path in zip(SCALES_H.tolist(), found, strict=True):
        since = np.maximum(AHEAD_H[:, None] - begins_h, 0.0)
        after = np.maximum(since - 1.0, 0.0)
        expected = (filled_h(since, tau_h) - filled_h(after, tau_h)) @ depth_mm
        assert path.tolist() == pytest.approx(expected.tolist(), rel=1e-9, abs=1e-9)


def test_all_of_the_rain_comes_in_the_end() -> None:
    fast = fallen_through(AHEAD_H, np.array([3.0, 9.0]), np.array([4.0, 6.0]), SCALES_H[:2])
    assert fast[:, -1].tolist() == pytest.approx([10.0, 10.0])
    assert fast[:, 0].tolist() == [0.0, 0.0]
