"""Where the sun stands and what a clear sky lets through, from a formula small enough to import at once."""

from __future__ import annotations

import numpy as np

from forecaster.domain.times import DAY_MS, YEAR_DAYS
from forecaster.maths.arrays import Array


def cos_zenith(at_ms: Array, latitude: float, longitude: float) -> Array:
    """Cosine of the sun's zenith angle, 0..1, with the shape of `at_ms`; 0 while the sun is down.

    at_ms : array of float — moments in UTC milliseconds
    latitude : float — degrees north, -90..90
    longitude : float — degrees east, -180..180

    Declination and equation of time by Fourier series (Spencer 1971, Search 2(5), p. 172), good to about half a degree.
    """
    days = at_ms / DAY_MS
    year_day = (days - 0.5) % YEAR_DAYS
    x = 2.0 * np.pi * year_day / YEAR_DAYS
    declination = (
        0.006918 - 0.399912 * np.cos(x) + 0.070257 * np.sin(x) - 0.006758 * np.cos(2 * x) + 0.000907 * np.sin(2 * x)
        - 0.002697 * np.cos(3 * x) + 0.00148 * np.sin(3 * x)
    )  # fmt: skip
    minutes = 229.18 * (
        0.000075 + 0.001868 * np.cos(x) - 0.032077 * np.sin(x) - 0.014615 * np.cos(2 * x) - 0.040849 * np.sin(2 * x)
    )
    hour_angle = 2.0 * np.pi * ((days % 1.0) - 0.5 + minutes / 1440.0) + np.radians(longitude)
    phi = np.radians(latitude)
    cosine = np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.cos(hour_angle)
    return np.asarray(np.maximum(cosine, 0.0), dtype=np.float64)


def clear_sky_w_per_m2(at_ms: Array, latitude: float, longitude: float) -> Array:
    """Light of a clear sky on level ground [W/m²], at moments and a place as `cos_zenith` takes them.

    1098 cos z exp(-0.059 / cos z), z being the zenith angle (Haurwitz 1945, Journal of Meteorology 2, p. 154).
    """
    cosine = cos_zenith(at_ms, latitude, longitude)
    safe = np.maximum(cosine, 1e-3)
    return np.asarray(np.where(cosine > 1e-3, 1098.0 * safe * np.exp(-0.059 / safe), 0.0), dtype=np.float64)
