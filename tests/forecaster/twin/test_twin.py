"""The simulated site obeys the physics that it claims, and its truth is what a slow second reckoning finds."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pvlib
import pytest

from forecaster.domain.quantities import SPECS, Quantity
from forecaster.twin.draw import draw_climate, draw_inverter, draw_pump
from forecaster.twin.electric import Profile, added, recharge
from forecaster.twin.episode import Episode, episode
from forecaster.twin.parameters import InverterTruth, PackTruth, PitTruth, PumpTruth, SunTruth
from forecaster.twin.styles import FULL, LEAN, Style
from forecaster.twin.water import InflowTruth, pump_runs, wobble_path
from forecaster.twin.weather import GRID_S, draw_storms, hourly_mm, rain_on_grid

PUMP = PumpTruth(
    running_w=480.0, sag=0.0, spread=0.0, inrush_w=1400.0, inrush_s=0.4, rate_l_per_min=151.4, wear_per_day=0.0,
    power_factor=0.7,
)  # fmt: skip
PIT = PitTruth(area_m2=0.1667, drawdown_m=0.2001, freeboard_m=0.3, slop_on_m=0.0, slop_off_m=0.0)


def steady(l_per_min: float, hours: float = 30.0) -> InflowTruth:
    count = int(hours * 3600.0 / GRID_S)
    flow = np.full(count, l_per_min)
    cumulative = np.concatenate([[0.0], np.cumsum(flow * GRID_S / 60.0)])
    return InflowTruth(0.0, flow, cumulative, np.zeros((1, count)), np.zeros(count), np.zeros((1, count)), flow)


@pytest.mark.parametrize(("share", "per_hour"), [
    (1 / 40, 6.64), (5 / 40, 29.8), (10 / 40, 51.1), (20 / 40, 68.1), (30 / 40, 51.1), (38 / 40, 12.9),
])  # fmt: skip
def test_cycles_follow_the_handbook(share: float, per_hour: float) -> None:
    """MIL-HDBK-1005/9A 2.5.3.6: T = V/(Qp-Qi) + V/Qi, for V 8.813 gal and Qp 40 gpm; duty is Qi/Qp."""
    pump = replace(PUMP, rate_l_per_min=40 * 3.785412)
    pit = replace(PIT, area_m2=8.813 * 3.785412 / 1000.0, drawdown_m=1.0)
    runs = pump_runs(steady(share * pump.rate_l_per_min), pit, pump, 0.0, 24 * 3600.0, 0.0, np.random.default_rng(1))
    cycle_s = np.diff(runs.start_s).mean()
    assert 3600.0 / cycle_s == pytest.approx(per_hour, rel=0.004)
    assert (runs.stop_s - runs.start_s)[:-1].mean() / cycle_s == pytest.approx(share, rel=0.004)


def test_water_is_conserved_with_slop_and_changing_inflow() -> None:
    drawn = episode(5)
    inflow, pump, pit = drawn.house.inflow, drawn.parameters.pump, drawn.parameters.pit
    runs = pump_runs(inflow, pit, pump, 0.0, 5 * 86_400.0, 3.0, np.random.default_rng(3))
    came = inflow.cumulative_l[inflow.index(5 * 86_400.0)] - inflow.cumulative_l[inflow.index(0.0)]
    rate = pump.rate_l_per_min * (1.0 - pump.wear_per_day * runs.start_s / 86_400.0) / 60.0
    pumped = float(np.sum((runs.stop_s - runs.start_s) * rate))
    assert 3.0 + came - pumped == pytest.approx(runs.end_volume_l, abs=0.02 * runs.start_s.size**0.5 + 0.05)
    assert np.all(runs.stop_s > runs.start_s)
    assert np.all(runs.start_s[1:] > runs.stop_s[:-1])


def test_inverter_is_the_sandia_curve() -> None:
    """pvlib.inverter.sandia (SAND2007-5036) for Paco 1000, Pdco 1100, Pso 12, C0 -2e-5 and drawn ones."""
    rng = np.random.default_rng(4)
    curves = [InverterTruth(1000.0, 1100.0, 12.0, -2e-5)]
    curves += [draw_inverter(draw_pump(rng), 20.0, rng) for _ in range(20)]
    for curve in curves:
        dc = np.linspace(curve.pso_w, curve.pdco_w, 40)
        names = {
            "Paco": curve.paco_w, "Pdco": curve.pdco_w, "Vdco": 51.2, "Pso": curve.pso_w, "C0": curve.c0_per_w,
            "C1": 0.0, "C2": 0.0, "C3": 0.0, "Pnt": 1.0,
        }  # fmt: skip
        theirs = pvlib.inverter.sandia(51.2, dc, names)
        np.testing.assert_allclose(curve.ac_w(dc)[1:], theirs[1:], rtol=1e-9)
        np.testing.assert_allclose(curve.dc_w(curve.ac_w(dc)), dc, rtol=1e-7)


def test_curve_without_curvature_is_a_line() -> None:
    line = InverterTruth(1000.0, 1110.0, 10.0, 0.0)
    np.testing.assert_allclose(line.dc_w(line.ac_w(np.array([10.0, 300.0, 900.0]))), [10.0, 300.0, 900.0])


@pytest.mark.parametrize("seed", [0, 3, 4, 8])
def test_truth_by_a_slow_second_reckoning(seed: int) -> None:
    """Stepping the outage by quarter seconds finds the reserve floor where the edges' exact integral does."""
    drawn = episode(seed, FULL, censored_share=0.0)
    transfer_s = (drawn.truth.transfer_ms - drawn.start_ms) / 1000.0
    life_s = (drawn.truth.reserve_ms - drawn.truth.transfer_ms) / 1000.0
    times = transfer_s + np.arange(0.0, life_s + 1800.0, 0.25)
    drain_w = drawn.parameters.pack.inverter.dc_w(drawn.house.output.at(times))
    left = drawn.house.energy.at(np.array([transfer_s]))[0] - np.cumsum(drain_w) * 0.25 / 3600.0
    reached = np.flatnonzero(drawn.parameters.pack.reported_percent(left) <= drawn.site.pack.reserve_percent)
    assert 0.25 * reached[0] == pytest.approx(life_s, rel=0.002)


def test_charge_rises_with_energy_and_inverts() -> None:
    for seed in range(16):
        pack = episode(seed).parameters.pack
        left = np.linspace(0.0, pack.capacity_wh, 500)
        shown = pack.reported_percent(left)
        assert np.all(np.diff(shown) > 0.0)
        assert shown[0] == 0.0
        assert shown[-1] == pytest.approx(100.0)
        for percent in (10.0, 50.0, 90.0):
            again = pack.reported_percent(np.array([pack.energy_at_percent(percent)]))[0]
            assert again == pytest.approx(percent, abs=1e-6)


def test_recharge_halves_near_full() -> None:
    pack = PackTruth(1000.0, InverterTruth(1000.0, 1100.0, 10.0, 0.0), 0.0, 0.0, 10.0, charge_w=400.0)
    energy = recharge(pack, 0.0, 36_000.0, 500.0)
    hours = np.array([0.5, 1.0, 1.25, 1.5, 9.0]) * 3600.0
    np.testing.assert_allclose(energy.at(hours), [700.0, 900.0, 950.0, 1000.0, 1000.0])
    assert recharge(pack, 0.0, 900.0, 500.0).left_wh[-1] == pytest.approx(600.0)


def test_profiles_add_and_integrate() -> None:
    left, right = Profile(np.array([0.0, 10.0]), np.array([2.0, 0.0])), Profile(np.array([5.0]), np.array([1.0]))
    both = added([left, right])
    np.testing.assert_allclose(both.at(np.array([-1.0, 0.0, 5.0, 9.9, 10.0, 50.0])), [0.0, 2.0, 3.0, 3.0, 1.0, 1.0])
    np.testing.assert_allclose(both.integral_at_h(np.array([0.0, 10.0, 3610.0])) * 3600.0, [0.0, 25.0, 3625.0])


def test_wobble_has_the_scale_it_claims() -> None:
    path = wobble_path(1800.0, 0.05, 400_000, np.random.default_rng(5))
    assert path.std() == pytest.approx(0.05, rel=0.05)
    lagged = np.corrcoef(path[:-30], path[30:])[0, 1]
    assert lagged == pytest.approx(math.exp(-1.0), abs=0.03)


def test_rain_is_what_the_climate_says() -> None:
    """Over many years the mean rain equals arrivals times duration times intensity."""
    rng = np.random.default_rng(6)
    climate = draw_climate(rng)
    stop_s = 12 * 365.25 * 86_400.0
    storms = draw_storms(climate, 0.0, stop_s, 0.0, rng)
    rain = rain_on_grid(storms, 0.0, int(stop_s / GRID_S), rng)
    expected = climate.storms_per_day * climate.storm_h * climate.intensity_mm_per_h / 24.0
    assert rain.mean() == pytest.approx(expected, rel=0.12)
    hours_s, depths = hourly_mm(rain, 0.0, 1_767_225_600_000 + 1_200_000)
    assert hours_s[0] == 2400.0
    assert depths.sum() == pytest.approx(rain.sum() / 60.0, rel=0.01)


@pytest.mark.parametrize("style", [*FULL, *LEAN, Style.SUN])
def test_every_style_tells_what_it_should(style: Style) -> None:
    drawn = episode(3, (style,))
    readings = drawn.readings
    told = {reading.quantity for reading in readings}
    assert told == {channel.quantity for channel in drawn.site.channels}
    assert (Quantity.PACK_CHARGE in told) == (style is not Style.NO_CHARGE)
    arrivals = [reading.arrived_ms for reading in readings]
    assert arrivals == sorted(arrivals)
    for reading in readings[:: max(1, len(arrivals) // 5000)]:
        spec = SPECS[reading.quantity]
        assert spec.low <= reading.value <= spec.high


def _fingerprint(drawn: Episode) -> tuple[object, ...]:
    return drawn.truth, drawn.site, tuple((t.time_ms.tobytes(), t.value.tobytes()) for t in drawn.tracks)


def test_a_seed_is_an_episode() -> None:
    one = _fingerprint(episode(11))
    assert one == _fingerprint(episode(11))
    assert one != _fingerprint(episode(18))


def test_site_file_is_never_the_truth_and_never_far_off() -> None:
    off = []
    for seed in range(24):
        drawn = episode(seed)
        off.append(drawn.site.pack.capacity_wh / drawn.parameters.pack.capacity_wh)
    assert 0.9 < min(off) < 1.02 < max(off) < 1.2
    assert np.std(off) > 0.03


@pytest.mark.slow
def test_outages_are_worth_forecasting_and_some_are_censored() -> None:
    drawn = [episode(seed) for seed in range(24)]
    lives = [(d.truth.reserve_ms - d.truth.transfer_ms) / 3.6e6 for d in drawn]
    assert min(lives) > 1.0
    assert 1 <= sum(d.truth.censored for d in drawn) <= 12
    assert any(len(d.house.outages) > 1 for d in drawn)
    for d in drawn:
        assert d.truth.empty_ms > d.truth.reserve_ms
        at = d.at_charge_ms(50.0)
        if at is not None and at < d.truth.end_ms:
            assert d.charge_percent(at) == pytest.approx(50.0, abs=0.05)


def test_sun_is_where_pvlib_has_it() -> None:
    """pvlib's solar position (NREL SPA): the sine of the height within 0.07 all year, the equation of time apart."""
    times = pd.date_range("2026-01-01", "2026-12-31", freq="7h", tz="UTC")
    height = np.sin(np.deg2rad(pvlib.solarposition.get_solarposition(times, 41.9, -87.7)["elevation"].to_numpy()))
    seconds = np.array([moment.timestamp() for moment in times])
    ours = SunTruth(1.0, 41.9, -87.7, 0.0).clear_w(seconds)
    theirs = np.clip(height, 0.0, None) / math.cos(math.radians(41.9 - 23.45))
    assert np.max(np.abs(ours - theirs)) < 0.07
    assert np.mean(np.abs(ours - theirs)) < 0.02
