"""The sun's place and a clear sky against pvlib; charging ahead."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pvlib
import pytest

from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.pack.charging import Charging
from forecaster.pack.sun import clear_sky_w_per_m2, cos_zenith

CHICAGO = (41.9, -87.7)


def test_the_sun_stands_where_pvlib_says() -> None:
    """pvlib.solarposition.get_solarposition (NREL SPA, Reda & Andreas 2004), hourly in 2026: within 0.6°."""
    times = pd.date_range("2026-01-01", "2026-12-31", freq="1h", tz="UTC")
    ms = times.as_unit("ms").asi8.astype(np.float64)
    for latitude, longitude in (CHICAGO, (-33.9, 151.2), (60.2, 24.9)):
        zenith = pvlib.solarposition.get_solarposition(times, latitude, longitude)["zenith"].to_numpy()
        ours = np.degrees(np.arccos(cos_zenith(ms, latitude, longitude)))
        up = zenith < 88.0
        assert np.abs(ours[up] - zenith[up]).max() < 0.6


def test_declination_and_equation_of_time_are_spencers() -> None:
    """pvlib.solarposition.declination_spencer71 and equation_of_time_spencer71 at the same angle of the year.

    pvlib has 0.0000075 where others print Spencer's first term as 0.000075: 0.015 minutes.
    """
    days = np.arange(18_262.0, 18_262.0 + 365.0, 0.3)
    year_day = (days - 0.5) % 365.2425
    day_of_year = 1.0 + 365.0 * year_day / 365.2425
    declination = pvlib.solarposition.declination_spencer71(day_of_year)
    minutes = pvlib.solarposition.equation_of_time_spencer71(day_of_year)
    for latitude, longitude in (CHICAGO, (-33.9, 151.2)):
        angle = np.radians(15.0 * (24.0 * (days % 1.0) - 12.0 + minutes / 60.0) + longitude)
        phi = np.radians(latitude)
        cosine = np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.cos(angle)
        np.testing.assert_allclose(cos_zenith(days * DAY_MS, latitude, longitude), np.maximum(cosine, 0.0), atol=2e-4)


def test_clear_sky_is_haurwitz() -> None:
    """pvlib.clearsky.haurwitz on our own zenith."""
    ms = 1_780_000_000_000.0 + HOUR_MS * np.arange(48.0)
    zenith = pd.Series(np.degrees(np.arccos(cos_zenith(ms, *CHICAGO))))
    expected = pvlib.clearsky.haurwitz(zenith)["ghi"].to_numpy()
    np.testing.assert_allclose(clear_sky_w_per_m2(ms, *CHICAGO), expected, atol=0.5)


def sunny(days: int) -> tuple[Charging, int]:
    charging = Charging(*CHICAGO)
    start = 1_782_000_000_000 // 86_400_000 * 86_400_000
    for step in range(days * 96):
        at = start + step * 900_000
        light = float(clear_sky_w_per_m2(np.array([at + 450_000.0]), *CHICAGO)[0])
        charging.observe(at, at + 900_000, 0.1 * light)
    return charging, start + days * 86_400_000


def test_by_day_the_sun_charges_and_by_night_it_does_not() -> None:
    charging, now = sunny(2)
    ahead = np.linspace(0.0, 48.0, 97) * 3600.0
    path = charging.draw_ahead(now, ahead, 200, 1)
    assert path is not None
    assert (np.diff(path, axis=1) >= -1e-9).all()
    hours = (now / HOUR_MS + ahead / 3600.0)[:-1]
    at_ms = np.asarray(hours * HOUR_MS + 900_000, dtype=np.float64)
    night = clear_sky_w_per_m2(at_ms, *CHICAGO) == 0.0
    assert np.diff(path, axis=1)[:, night].max() < 0.2 * np.diff(path, axis=1).max()
    day_wh = (
        0.1 * clear_sky_w_per_m2(np.asarray(now + 900_000.0 * np.arange(96), dtype=np.float64), *CHICAGO).sum() * 0.25
    )
    assert float(np.mean(path[:, -1])) == pytest.approx(2.0 * day_wh, rel=0.15)


def test_what_charges_by_night_is_a_generator_and_stops_some_time() -> None:
    charging, now = sunny(1)
    charging.observe(now + 4 * HOUR_MS, now + 5 * HOUR_MS, 300.0)
    path = charging.draw_ahead(now + 5 * HOUR_MS, np.array([0.0, 1.0, 2.0]) * 3600.0, 100, 1)
    assert path is not None
    assert 150.0 < float(np.median(path[:, 1])) <= 301.0


def test_nothing_seen_is_nothing_forecast() -> None:
    assert Charging(*CHICAGO).draw_ahead(0, np.array([0.0, 3600.0]), 10, 1) is None


def test_a_generator_by_night_goes_on_for_hours_not_for_days() -> None:
    """Exponential with a mean of four hours: power x 4 h in the long run, half of it after 4 h ln 2 (own choice)."""
    charging = Charging(*CHICAGO)
    midnight = 1_782_000_000_000 // 86_400_000 * 86_400_000 + 6 * HOUR_MS
    charging.observe(midnight, midnight + 900_000, 300.0)
    ahead = np.array([0.0, 4.0 * np.log(2.0), 200.0]) * 3600.0
    path = charging.draw_ahead(midnight + 900_000, ahead, 4000, 3)
    assert path is not None
    assert float(path[:, 2].mean()) == pytest.approx(300.0 * 4.0, rel=0.05)
    assert float(path[:, 1].mean()) == pytest.approx(300.0 * 4.0 / 2.0, rel=0.05)
