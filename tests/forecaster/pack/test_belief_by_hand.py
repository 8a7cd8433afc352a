"""What a pack is believed to be before anything was seen, how that ages, and what a test leaves; by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from forecaster.domain.site import Chemistry, Load, Pack
from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.maths.noise import seeds_of
from forecaster.pack.belief import PackBelief
from forecaster.pack.chargeline import BOW, CAPACITY, COST, IDLE, LOADS, SKEW
from forecaster.pack.doubt import costlier
from forecaster.pack.draws import Discharge
from forecaster.pack.gauged import Shown, Unknowns, by_gauge

MONTH_MS = 730 * HOUR_MS


def spreads(belief: PackBelief) -> list[float]:
    return [math.sqrt(variance) for variance in np.diag(belief.covariance)]


def test_a_plate_that_states_only_its_energy() -> None:
    """94 % of it within 7 %, 87 % efficient within 6 %, 9 W idle within 45 %. Common practice, no source."""
    belief = PackBelief(Pack(1000.0))
    assert belief.mean.tolist() == pytest.approx([math.log(940.0), -math.log(0.87), math.log(9.0), 0.0, 0.0, 0.0])
    assert spreads(belief) == pytest.approx([0.07, math.hypot(0.06, 0.01), 0.45, 0.25, 0.08, 0.05])


def test_a_plate_that_states_more_is_believed_more() -> None:
    belief = PackBelief(Pack(1000.0, inverter_efficiency=0.9, idle_w=12.0), energy_spread=0.1)
    assert belief.mean[[COST, IDLE]].tolist() == pytest.approx([-math.log(0.9), math.log(12.0)])
    assert [spreads(belief)[of] for of in (COST, IDLE)] == pytest.approx([math.hypot(0.06, 0.1), 0.3])
    assert PackBelief(Pack(1000.0, idle_w=0.0)).mean[IDLE] == pytest.approx(math.log(0.1))


def test_a_hard_load_on_lead_costs_more() -> None:
    """500 W on 1000 Wh, ten times the 20 h rate, at 1.25: 10^0.25; of its log seven tenths, for the pump rests."""
    belief = PackBelief(Pack(1000.0, chemistry=Chemistry.FLOODED), running_w=500.0)
    log_cost = 0.25 * math.log(10.0)
    assert belief.mean[COST] == pytest.approx(-math.log(0.87) + 0.7 * log_cost)
    assert spreads(belief)[COST] == pytest.approx(math.hypot(math.hypot(0.06, 0.01), 0.3 * log_cost))
    weak = PackBelief(Pack(1000.0, chemistry=Chemistry.FLOODED), running_w=40.0)
    assert weak.mean[COST] == pytest.approx(-math.log(0.87)), "below the 20 h rate nothing is won"
    assert PackBelief(Pack(1000.0), running_w=500.0).mean[COST] == pytest.approx(-math.log(0.87))


def test_other_loads_and_what_a_cycling_one_swings_by() -> None:
    """A freezer of 90 W for 600 s, twice an hour: 30 W in the mean, 15 Wh a run, three tenths of it."""
    loads = (Load("router", 12.0), Load("freezer", 90.0, runs_per_hour=2.0, run_s=600.0))
    belief = PackBelief(Pack(1000.0), loads)
    assert belief.listed_loads_w == pytest.approx(42.0)
    assert belief.swing_wh == pytest.approx(4.5)


def test_an_extension_counts_to_the_plate() -> None:
    assert PackBelief(Pack(1000.0, extra_capacity_wh=500.0)).mean[CAPACITY] == pytest.approx(math.log(0.94 * 1500.0))


def test_a_pack_that_nobody_measured_ages() -> None:
    """In four months the capacity by 1 % a month, sqrt(4) = 2 %; the rest by half of it, the bow by a tenth of that
    variance.
    """
    belief = PackBelief(Pack(1000.0))
    before = np.diag(belief.covariance).copy()
    assert belief.untested(9 * MONTH_MS) is belief, "never seen in use"
    belief.seen(0)
    belief.seen(5 * DAY_MS)
    assert belief.last_end_ms == 0
    assert belief.untested(DAY_MS - 1) is belief
    grown = np.diag(belief.untested(4 * MONTH_MS).covariance) - before
    days = (4 * MONTH_MS // DAY_MS) * 24 / 730
    assert grown[CAPACITY] == pytest.approx(0.01**2 * days)
    assert grown[[COST, IDLE, LOADS, SKEW]].tolist() == pytest.approx([0.005**2 * days] * 4)
    assert grown[BOW] == pytest.approx(0.1 * 0.005**2 * days)
    assert np.diag(belief.covariance).tolist() == before.tolist()
    belief.begin(4 * MONTH_MS, 100.0)
    assert belief.covariance[CAPACITY, CAPACITY] - before[CAPACITY] == pytest.approx(0.01**2 * 4)


def test_plug_energies_that_were_clipped_cost_more() -> None:
    belief = PackBelief(Pack(1000.0))
    mean, spread = belief.mean[COST], spreads(belief)[COST]
    belief.doubt_energy(0.1, 0.2)
    assert belief.mean[COST] == pytest.approx(mean + 0.1)
    assert spreads(belief)[COST] == pytest.approx(math.hypot(spread, 0.2))
    assert PackBelief(Pack(1000.0)).taken_up(belief.state()).clipped == [0.1, 0.2]
    older = {key: value for key, value in belief.state().items() if key != "clipped"}
    assert PackBelief(Pack(1000.0)).taken_up(older).clipped == [0.0, 0.0]


def test_a_nameplate_that_is_believed_allows_for_clipped_energies_too() -> None:
    """A lithium inverter of 0.87: 1 / 0.87 = 1.149 Wh an outlet Wh, and 0.1 more of its log; 0.06 and 0.2 of spread."""
    mean, covariance = costlier(PackBelief(Pack(1000.0)).plate, 0.1, 0.2)
    assert mean[COST] == pytest.approx(-math.log(0.87) + 0.1)
    assert covariance[COST, COST] == pytest.approx(0.06**2 + 0.01**2 + 0.2**2)
    assert PackBelief(Pack(1000.0)).plate[0][COST] == pytest.approx(-math.log(0.87))


def test_a_number_of_a_test_is_weighed_by_its_range() -> None:
    """A capacity of 800 Wh, 10 to 90 % from 760 to 842: ln(842/760)/2.563 = 4 % against 7 % of the plate."""
    belief = PackBelief(Pack(1000.0))
    spread = math.log(842 / 760) / 2.563
    gain = 0.07**2 / (0.07**2 + spread**2)
    belief._measure(CAPACITY, math.log(800.0), spread)
    assert belief.mean[CAPACITY] == pytest.approx(math.log(940.0) + gain * math.log(800 / 940))
    assert belief.covariance[CAPACITY, CAPACITY] == pytest.approx(0.07**2 * (1 - gain))
    belief.forget([CAPACITY])
    assert belief.mean[CAPACITY] == pytest.approx(math.log(940.0))
    assert spreads(belief)[CAPACITY] == pytest.approx(0.07)


def test_capacity_falls_with_the_temperature() -> None:
    belief = PackBelief(Pack(1000.0, chemistry=Chemistry.AGM))
    assert belief.factor == 1.0
    belief.temperature_c = 4.4
    assert belief.factor == pytest.approx(0.845)


def test_the_step_of_a_gauge_is_its_least_change() -> None:
    belief = PackBelief(Pack(1000.0))
    belief.begin(0, 100.0)
    assert (belief.step_percent, belief.step_seen) == (1.0, False)
    steps = []
    for number, percent in enumerate((98.0, 97.5, 97.0, 95.0, 95.0, 94.999)):
        belief.observe(60_000 * number, percent, 0.0, 60.0 * number)
        steps.append(belief.step_percent)
    assert steps == pytest.approx([2.0, 0.5, 0.5, 0.5, 0.5, 0.01]), "never finer than a hundredth"
    coarse = PackBelief(Pack(1000.0))
    coarse.begin(0, 100.0)
    coarse.observe(60_000, 75.0, 0.0, 60.0)
    assert coarse.step_percent == 25.0
    coarsest = PackBelief(Pack(1000.0))
    coarsest.begin(0, 100.0)
    coarsest.observe(60_000, 60.0, 0.0, 60.0)
    assert coarsest.step_percent == 34.0, "three bars"


def test_a_discharge_that_was_not_begun_begins_when_it_was_counted_from() -> None:
    belief = PackBelief(Pack(1000.0))
    belief.observe(3_600_000, 90.0, 50.0, 1800.0, 5.0, 7.0)
    now = belief.discharge
    assert now is not None
    assert (now.plug_wh, now.loads_wh, now.elapsed_h, now.charging_wh, now.charge_percent) == (
        50.0,
        7.0,
        0.5,
        5.0,
        90.0,
    )
    belief.end(7_200_000)
    assert (belief.discharge, belief.last_end_ms, belief.outages) == (None, 7_200_000, 0), "no change, nothing learnt"


def test_energy_left_of_a_pack_nobody_reads_is_what_was_not_drawn() -> None:
    """1000 Wh of nameplate, 94 % of it; from full, 100 Wh at the plug in 2 h through 87 % and 9 W idle."""
    belief = PackBelief(Pack(1000.0, reserve_percent=10.0))
    belief.begin(0, None)
    belief.observe(7_200_000, None, 100.0, 7200.0)
    drawn = belief.draw(4000, seeds_of(1, 1)[0])
    used = 100.0 / 0.87 + 18.0
    assert float(np.median(drawn.to_empty_wh)) == pytest.approx(940.0 - used, rel=0.02)
    assert float(np.median(drawn.to_reserve_wh)) == pytest.approx(0.9 * 940.0 - used, rel=0.02)
    assert float(np.median(drawn.to_full_wh + drawn.to_empty_wh)) == pytest.approx(940.0, rel=0.02)
    assert float(np.median(drawn.efficiency)) == pytest.approx(0.87, rel=0.01)


def test_what_was_drawn_since_the_charge_was_read_is_taken_off_it() -> None:
    """1,000 Wh from full: 100 Wh when it was read, 300 Wh now, and never below nothing."""
    one = np.ones(1)
    drawn = Unknowns(
        1000.0 * one, one, 0.0 * one, one, 0.0 * one, 0.0 * one, one, one, 0.0 * one, one, np.zeros((1, 2)), 0.0 * one
    )
    read, now, spent = (Discharge(0, plug_wh=wh) for wh in (100.0, 300.0, 1_500.0))
    for then, left_wh in ((now, 700.0), (spent, 0.0)):
        pack = by_gauge(drawn, Shown(None, 1.0, 10.0), then, read, 0.0, 1.0, 1)
        assert pack.to_empty_wh.tolist() == pytest.approx([left_wh])
        assert pack.to_reserve_wh.tolist() == pytest.approx([max(left_wh - 100.0, 0.0)])
