"""Sun on the pack: what a flat panel gives through the day under a clear sky, less the clouds of a wet day."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecaster.domain.errors import UsageError
from forecaster.maths.arrays import Array

STORM_SKY = 0.25
"""Share of the clear-sky light on a rainy day. Common practice, no source."""

PANEL_LOSSES = 0.8
"""What of a panel's rating reaches the battery: heat, dirt, charge controller. Common practice, no source."""


def clear_sky_w_per_m2(latitude: float, longitude: float, times: pd.DatetimeIndex) -> Array:
    """Light on flat ground under a clear sky [W/m²], by Haurwitz (1945) on pvlib's solar position, (T,)."""
    try:
        from pvlib import clearsky, solarposition
    except ModuleNotFoundError as error:
        raise UsageError("sun_w: pvlib is not installed", "install outlast[solar]") from error
    position = solarposition.get_solarposition(times, latitude, longitude)
    light = clearsky.haurwitz(position["apparent_zenith"])["ghi"]
    return np.asarray(light, dtype=np.float64)


def charging_wh(
    latitude: float, longitude: float, start_ms: int, ahead_s: Array, panel_w: float, sky: float = STORM_SKY
) -> Array:
    """Cumulative energy into the battery ahead [Wh], (T,).

    start_ms : int — the moment from which the hours count, UTC milliseconds
    panel_w : float — the panel's rating at 1000 W/m² [W]
    sky : float — share of the clear-sky light, 0..1
    """
    step_s = 900.0
    fine_s = np.arange(0.0, float(ahead_s[-1]) + step_s, step_s)
    times = pd.to_datetime(start_ms + (fine_s * 1000.0).astype(np.int64), unit="ms", utc=True)
    watts = panel_w * PANEL_LOSSES * sky * clear_sky_w_per_m2(latitude, longitude, pd.DatetimeIndex(times)) / 1000.0
    total = np.concatenate([[0.0], np.cumsum((watts[1:] + watts[:-1]) / 2.0 * step_s / 3600.0)])
    return np.asarray(np.interp(ahead_s, fine_s, total), dtype=np.float64)
