"""A solar panel that charges the pack: lying flat, under a clear sky, less what the clouds of a rainy day take."""

from __future__ import annotations

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.pack.sun import clear_sky_w_per_m2

STORM_SKY = 0.25
"""Share of the clear-sky light on a rainy day. Common practice, no source."""

PANEL_LOSSES = 0.8
"""Share of a panel's rating that reaches the battery, after heat, dirt and charge controller. Common practice, no
source."""


def charging_wh(
    latitude: float, longitude: float, start_ms: int, ahead_s: Array, panel_w: float, sky: float = STORM_SKY
) -> Array:
    """Cumulative energy into the battery ahead [Wh], (T,), by the clear-sky light of `forecaster.pack.sun`.

    latitude, longitude : float — where the panel lies [degrees]
    start_ms : int — the moment from which ahead_s counts, UTC milliseconds
    ahead_s : (T,) — times ahead [s], rising from 0
    panel_w : float — the panel's rating at 1000 W/m² [W]
    sky : float — share of the clear-sky light, 0..1
    """
    step_s = 900.0
    fine_s = np.arange(0.0, float(ahead_s[-1]) + step_s, step_s)
    light = clear_sky_w_per_m2(start_ms + fine_s * 1000.0, latitude, longitude)
    watts = panel_w * PANEL_LOSSES * sky * light / 1000.0
    total = np.concatenate([[0.0], np.cumsum((watts[1:] + watts[:-1]) / 2.0 * step_s / 3600.0)])
    return np.asarray(np.interp(ahead_s, fine_s, total), dtype=np.float64)
