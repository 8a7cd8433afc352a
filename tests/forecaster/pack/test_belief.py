"""The pack's belief: formulas against published values, and a belief that the reported charge sharpens."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecaster.domain.discharge import DischargeResult
from forecaster.domain.errors import SnapshotError
from forecaster.domain.site import Chemistry, Load, Pack
from forecaster.engine import reserve
from forecaster.maths import noise
from forecaster.maths.arrays import Array
from forecaster.maths.noise import seeds_of
from forecaster.pack import battery, doubt, gauged, slope
from forecaster.pack.belief import PackBelief
from forecaster.pack.chargeline import CAPACITY, COST, IDLE, SHARED
from forecaster.pack.draws import PackDraws

PACK = Pack(1024.0, reserve_percent=10.0, inverter_efficiency=0.88, idle_w=9.0)


def drawn(belief: PackBelief, charge_percent: float | None = None, draws: int = 400) -> PackDraws:
    return belief.draw(draws, seeds_of(1, 1)[0], charge_percent)


def discharged(
    belief: PackBelief,
    until: float,
    *,
    cut: bool,
    step: float = 1.0,
    sample_s: float = 30.0,
    capacity_wh: float = 930.0,
) -> float:
    """Discharge a pack of known truth through 40 W of pump, and give the energy left to the floor [Wh]."""
    cost, idle, bow = 1.0 / 0.9, 11.0, 0.08
    belief.begin(0, 100.0)
    hours, charge = 0.0, 1.0
    while True:
        hours += sample_s / 3600.0
        charge = 1.0 - (cost * 40.0 + idle) * hours / capacity_wh
        exact = float(battery.reported_percent(np.array(charge), bow))
        shown = step * (np.floor(exact / step) if cut else np.round(exact / step))
        belief.observe(round(hours * 3_600_000), float(shown), 40.0 * hours, hours * 3600.0)
        if exact <= until:
            floor = float(battery.charge_at(10.0, bow))
            return (charge - floor) * capacity_wh


def test_sandia_curve_equals_the_published_vector() -> None:
    """SAND2007-5036 with Paco 1000, Pdco 1100, Pso 12, C0 -2e-5 at rated voltage; pvlib is the second source."""
    dc = np.array([12.0, 20.0, 50.0, 100.0, 300.0, 600.0, 1100.0])
    expected = [0.0, 7.526, 35.724, 82.642, 269.314, 546.321, 1000.0]
    ours = battery.sandia_ac_w(dc, 1000.0, 1100.0, 12.0, -2e-5)
    np.testing.assert_allclose(ours, expected, atol=6e-4)
    inverter = {
        "Paco": 1000.0,
        "Pdco": 1100.0,
        "Vdco": 51.2,
        "Pso": 12.0,
        "C0": -2e-5,
        "C1": 0,
        "C2": 0,
        "C3": 0,
        "Pnt": 1,
    }
    np.testing.assert_allclose(ours, pvlib.inverter.sandia(51.2, dc, inverter), rtol=1e-9, atol=1e-9)


def test_every_chemistry_has_its_exponent() -> None:
    """From 1, no loss, to 1.4, an aged flooded battery: what is commonly quoted. From memory."""
    assert set(battery.PEUKERT) == set(Chemistry)
    assert all(1.0 <= exponent <= 1.4 for exponent in battery.PEUKERT.values())


@pytest.mark.parametrize(
    ("exponent", "current_a", "hours"),
    [(1.2, 5, 20.0), (1.2, 10, 8.706), (1.2, 20, 3.789), (1.2, 50, 1.262), (1.05, 10, 9.659), (1.05, 20, 4.665)],
)
def test_peukert_hours_of_a_100_ah_battery_at_the_20_h_rate(exponent: float, current_a: float, hours: float) -> None:
    """t = H (C/(I H))^k, Peukert 1897; values computed from the formula."""
    assert battery.peukert_hours(20.0, 100.0, current_a, exponent) == pytest.approx(hours, abs=6e-4)


def test_drain_in_rated_energy_is_peukert_hours_turned_round() -> None:
    hours = battery.peukert_hours(20.0, 100.0, 20.0, 1.2)
    drain = battery.peukert_drain(20.0 * 12.0, 100.0 * 12.0, 20.0, 1.2)
    assert 20.0 * 12.0 * hours * drain == pytest.approx(1200.0)


def test_lead_acid_capacity_by_temperature() -> None:
    """ "Uninterruptible Power Supplies and Standby Power Systems", p. 199, 8 h rate."""
    for celsius, share in ((-3.9, 0.765), (4.4, 0.845), (10.0, 0.895), (21.1, 0.975), (25.0, 1.0)):
        assert battery.temperature_factor(celsius, Chemistry.LEAD_ACID) == pytest.approx(share)


@given(st.floats(0, 100), st.floats(-0.3, 0.3), st.floats(-0.1, 0.1))
def test_charge_at_is_the_inverse_of_the_reported_percent(percent: float, bow: float, skew: float) -> None:
    charge = battery.charge_at(percent, bow, skew)
    assert float(battery.reported_percent(charge, bow, skew)) == pytest.approx(percent, abs=1e-3)


@given(st.floats(0.001, 0.999), st.floats(-0.3, 0.3), st.floats(-0.1, 0.1))
def test_the_slope_of_the_reported_charge_is_that_of_its_course(charge: float, bow: float, skew: float) -> None:
    """By central differences, of a share rather than of a percent."""
    near = np.array([charge - 1e-5, charge + 1e-5])
    rise = float(np.diff(battery.reported_percent(near, bow, skew))[0]) / 100.0 / 2e-5
    assert float(battery.reported_slope(np.asarray(charge), bow, skew)) == pytest.approx(rise, abs=1e-6)


@pytest.mark.parametrize("cut", [False, True])
@pytest.mark.parametrize("step", [0.1, 1.0, 5.0])
@pytest.mark.parametrize("sample_s", [10.0, 60.0, 300.0])
def test_the_reported_charge_sharpens_the_energy_left(cut: bool, step: float, sample_s: float) -> None:
    """Truth: 930 Wh, 90 % inverter, 11 W idle, a bowed gauge; whatever the step, the cadence and the rounding."""
    belief = PackBelief(PACK)
    truth_wh = discharged(belief, 45.0, cut=cut, step=step, sample_s=sample_s)
    draws = drawn(belief)
    hours = draws.to_reserve_wh / (40.0 / draws.efficiency + draws.idle_w)
    expected = truth_wh / (40.0 / 0.9 + 11.0)
    low, middle, high = np.quantile(hours, [0.02, 0.5, 0.98])
    assert low <= expected <= high
    assert middle == pytest.approx(expected, rel=0.06)


def test_no_two_choices_go_by_the_same_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each takes an offset of the seed for itself: the draws that the slope replaces are not those of the plate."""
    asked: list[int] = []

    def noting(numbers: Callable[[int, int, int], Array]) -> Callable[[int, int, int], Array]:
        def noted(seed: int, draws: int, columns: int) -> Array:
            asked.append(seed)
            return numbers(seed, draws, columns)

        return noted

    for module in (gauged, slope, doubt):
        monkeypatch.setattr(module, "normals", noting(noise.normals))
        monkeypatch.setattr(module, "uniforms", noting(noise.uniforms))
    belief = PackBelief(PACK)
    discharged(belief, 45.0, cut=False)
    drawn(belief)
    assert len(asked) >= 6, "two each, for the unknowns, the slope and the plate"
    assert len(set(asked)) == len(asked)


def test_what_was_learnt_carries_over_to_the_next_outage_and_ages_slowly() -> None:
    belief = PackBelief(PACK)
    before = np.std(drawn(belief).capacity_wh * drawn(belief).efficiency)
    discharged(belief, 20.0, cut=False)
    belief.end(0)
    after = np.std(drawn(belief).capacity_wh * drawn(belief).efficiency)
    assert after < 0.6 * before
    belief.begin(365 * 86_400_000, 100.0)
    later = np.std(drawn(belief).capacity_wh * drawn(belief).efficiency)
    assert after < later < before


def test_without_a_reported_charge_the_pack_is_counted_down_from_full() -> None:
    belief = PackBelief(PACK)
    belief.begin(0, None)
    full = drawn(belief)
    belief.observe(3_600_000, None, 100.0, 3600.0)
    left = drawn(belief)
    np.testing.assert_allclose(
        full.to_empty_wh - left.to_empty_wh,
        np.minimum(100.0 / left.efficiency + left.idle_w, full.to_empty_wh),
        rtol=1e-6,
    )


def test_a_partial_charge_at_transfer_is_where_the_count_begins() -> None:
    belief = PackBelief(PACK)
    belief.begin(0, 60.0)
    shown = drawn(belief).charge_percent_after(np.zeros(400))
    assert np.abs(shown - 60.0).max() < 1.3


def test_a_snapshot_gives_the_same_draws() -> None:
    belief = PackBelief(PACK, [Load("router", 12.0)])
    discharged(belief, 60.0, cut=True)
    again = PackBelief(PACK, [Load("router", 12.0)]).taken_up(json.loads(json.dumps(belief.state())))
    np.testing.assert_array_equal(drawn(belief).to_reserve_wh, drawn(again).to_reserve_wh)
    with pytest.raises(SnapshotError):
        PackBelief(PACK).taken_up({"version": 0})


def test_a_pack_that_aged_between_two_outages_is_not_answered_from_the_first() -> None:
    """Asked at once after each transfer, before any charge was read: a year on, the belief is wider."""
    belief = PackBelief(PACK)
    belief.begin(0, 100.0)
    first = drawn(belief).capacity_wh
    belief.end(0)
    belief.begin(365 * 86_400_000, 100.0)
    again = PackBelief(PACK).taken_up(json.loads(json.dumps(belief.state())))
    later = drawn(belief).capacity_wh
    np.testing.assert_array_equal(later, drawn(again).capacity_wh)
    assert np.std(later) > 1.05 * np.std(first)


def hours_of(belief: PackBelief, pump_w: float, charge_percent: float) -> np.ndarray:
    grid = reserve.ahead_grid_s()
    draws = drawn(belief, charge_percent, 200)
    drain = reserve.cumulative_drain_wh(np.outer(np.full(200, pump_w), grid / 3600.0), draws, grid)
    return np.minimum(reserve.first_passage(drain, draws.to_reserve_wh, grid), 1e6)


@settings(max_examples=40, deadline=None)
@given(st.floats(15, 95), st.floats(0.5, 5), st.floats(5, 200), st.floats(1.0, 1.5))
def test_more_charge_less_inflow_or_less_idle_never_shorten_the_answer(
    charge: float, more: float, pump_w: float, factor: float
) -> None:
    """Common random numbers: each draw obeys it, hence every quantile does."""
    belief = PackBelief(PACK)
    base = np.sort(hours_of(belief, pump_w, charge))
    assert (np.sort(hours_of(belief, pump_w, charge + more)) >= base - 1e-6).all()
    assert (np.sort(hours_of(belief, pump_w / factor, charge)) >= base - 1e-6).all()
    frugal = PackBelief(PACK)
    frugal.mean = belief.mean.copy()
    frugal.mean[2] -= np.log(factor)
    assert (np.sort(hours_of(frugal, pump_w, charge)) >= base - 1e-6).all()
    assert SHARED > COST


TESTED = DischargeResult(
    used_percent=60.0, duration_h=8.0, draw_wh_per_h=(60.0, 61.0, 62.0), hours_full_to_reserve=(12.0, 13.0, 14.0),
    cycles=160, cycles_per_hour=20.0, run_s=10.0, drift_p_value=None, rained=None, capacity_wh=(850.0, 900.0, 950.0),
    capacity_of_nominal=0.88, idle_w=(10.0, 11.0, 12.5), inverter_efficiency=(0.88, 0.90, 0.92), sizing_h=None,
    started_pump=True, sleeps_on_low_load=None, power_pinned=False, verdict="",
)  # fmt: skip
"""A discharge test that says three numbers of the pack."""

OF_RANGE = 2 * 1.2816
"""From p10 to p90 in standard deviations of a normal law (Abramowitz and Stegun, Table 26.5)."""


def weighed(prior: float, spread: float, low: float, middle: float, high: float) -> float:
    """The mean of two normal errors weighed by their precisions."""
    told = max(abs(high - low) / OF_RANGE, 0.005)
    return (prior / spread**2 + middle / told**2) / (1 / spread**2 + 1 / told**2)


def assert_each_number_taken(belief: PackBelief, result: DischargeResult, within: float = 1e-5) -> None:
    fresh = PackBelief(PACK)
    spread = np.sqrt(np.diag(fresh.covariance))
    for column, triple, sign in (
        (CAPACITY, result.capacity_wh, 1.0), (IDLE, result.idle_w, 1.0), (COST, result.inverter_efficiency, -1.0)
    ):  # fmt: skip
        assert triple is not None
        low, middle, high = np.log(triple)
        expected = weighed(fresh.mean[column], spread[column], low, sign * middle, high)
        assert belief.mean[column] == pytest.approx(expected, abs=within)


@pytest.mark.parametrize(
    "result",
    [
        TESTED,
        replace(TESTED, capacity_wh=(899.9, 900.0, 900.1)),
        replace(TESTED, belief_mean=(6.8, 0.1, 2.4, 0.0, 0.0, 0.0)),
        replace(TESTED, belief_covariance=tuple(np.eye(6).ravel())),
        replace(TESTED, belief_mean=(6.8,), belief_covariance=tuple(np.eye(6).ravel())),
        replace(TESTED, belief_mean=(6.8, 0.1, 2.4, 0.0, 0.0, 0.0), belief_covariance=(1.0,)),
    ],
    ids=[
        "numbers",
        "all but exact",
        "no covariance",
        "no mean",
        "mean of an older build",
        "covariance of an older build",
    ],
)
def test_without_a_joint_belief_that_can_be_read_a_test_is_weighed_number_by_number(result: DischargeResult) -> None:
    belief = PackBelief(PACK)
    belief.adopt(result)
    assert_each_number_taken(belief, result)


def test_the_joint_belief_of_a_test_is_taken_where_nothing_was_learnt_yet() -> None:
    joint = replace(
        TESTED, belief_mean=(6.8, 0.1, 2.4, 0.1, 0.02, 0.01), belief_covariance=tuple((np.eye(6) * 0.01).ravel())
    )
    belief, learnt = PackBelief(PACK), PackBelief(PACK)
    belief.adopt(joint)
    assert tuple(belief.mean) == joint.belief_mean
    np.testing.assert_array_equal(belief.covariance, np.eye(6) * 0.01)
    learnt.outages = 1
    learnt.adopt(joint)
    assert_each_number_taken(learnt, joint)


def test_a_number_that_a_test_could_not_tell_changes_nothing() -> None:
    belief, fresh = PackBelief(PACK), PackBelief(PACK)
    belief.adopt(replace(TESTED, capacity_wh=None, idle_w=(0.0, 11.0, 12.0), inverter_efficiency=None))
    np.testing.assert_array_equal(belief.mean, fresh.mean)
    np.testing.assert_array_equal(belief.covariance, fresh.covariance)
    small = replace(TESTED, idle_w=(0.4, 0.5, 0.6))
    belief.adopt(small)
    assert_each_number_taken(belief, small, 1e-3)
