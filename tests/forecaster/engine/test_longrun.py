"""A run that does not end: its hours are told from its first minutes, not when it has ended."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.engine import Engine
from forecaster.engine.evidence import PumpSpan
from forecaster.engine.spans import Spans
from tests.forecaster.cellar import HOUR, START, Truth, charges, in_order, mains, on_change, pumping, sampled, site

FAILS_H, HANGS_H = 4.0, 5.0
CAPACITY_WH, RUNNING_W = 1024.0 * 0.94, 480.0 / 0.88 + 9.0
CYCLING_W = 480.0 * 10.0 / 180.0 / 0.88 + 9.0
RESERVE = 0.1


def left_h(at_h: float) -> float:
    """Hours to the reserve of 10 % by hand: the pack carries the cycles for an hour, then the pump without a rest."""
    used_wh = (HANGS_H - FAILS_H) * CYCLING_W + (at_h - HANGS_H) * RUNNING_W
    return ((1.0 - RESERVE) * CAPACITY_WH - used_wh) / RUNNING_W


def told(truth: Truth, source: str) -> Iterator[Reading]:
    if source == "changes":
        beats = [power_at(truth, float(at)) for at in range(3, round(7.0 * 3600.0), 60)]
        return iter(in_order(on_change(truth, 7.0, Quantity.PUMP_POWER, heartbeat_s=1e9), beats))
    return sampled(truth, 7.0, float(source))


def power_at(truth: Truth, at_s: float) -> Reading:
    watts = truth.watts if truth.on(at_s) else 0.0
    return Reading("larkspur", Quantity.PUMP_POWER, START + round(1000.0 * at_s), watts, START + round(1000.0 * at_s))


@pytest.mark.parametrize("source", ["2", "5", "10", "changes"])
def test_a_pump_that_does_not_stop_shortens_the_hours_while_it_runs(source: str) -> None:
    """A float hangs: runs of 10 s every 3 min, then one without an end. By hand 1.5 h are left, not 20."""
    regular = pumping(HANGS_H)
    hangs = Truth((*(run for run in regular.runs if run[1] < HANGS_H * 3600.0), (HANGS_H * 3600.0, 9.0 * 3600.0)))
    drains = [(0.0, 100.0), (FAILS_H, 100.0), (HANGS_H, 100.0 - 100.0 * CYCLING_W / CAPACITY_WH)]
    charge = charges(7.0, [*drains, (7.0, drains[-1][1] - 2.0 * 100.0 * RUNNING_W / CAPACITY_WH)])
    engine = Engine(site(Quantity.PUMP_POWER, Quantity.PACK_CHARGE, Quantity.MAINS_PRESENT))
    looks = [HANGS_H + minutes / 60.0 for minutes in (3.0, 5.0, 10.0, 15.0, 30.0, 60.0)]
    found = {}
    for item in in_order(told(hangs, source), charge, mains(7.0, [(FAILS_H, 99.0)])):
        while looks and item.time_ms > START + looks[0] * HOUR:
            found[looks[0]] = engine.forecast(START + round(looks[0] * HOUR)).hours_remaining
            looks.pop(0)
        engine.update(item)
    for at_h, hours in found.items():
        assert hours.p10 is not None
        assert hours.p50 is not None
        assert hours.p90 is not None
        assert 0.8 * hours.p10 <= left_h(at_h) <= hours.p90, at_h
    last = found[HANGS_H + 1.0].p50
    assert last is not None
    assert last == pytest.approx(left_h(HANGS_H + 1.0), rel=0.25)


def test_a_run_as_long_as_a_coarse_sample_makes_a_usual_one_look_changes_nothing() -> None:
    """Runs of 10 s sampled every 10 s are seen with one sample or two: a forecast within such a run is as before it."""
    truth = pumping(6.0)
    readings = in_order(sampled(truth, 6.0, 10.0), mains(6.0, [(FAILS_H, 99.0)]))
    engine, middles = Engine(site(Quantity.PUMP_POWER, Quantity.MAINS_PRESENT)), []
    for item in readings:
        engine.update(item)
        if item.time_ms > START + 5.8 * HOUR and item.quantity is Quantity.PUMP_POWER:
            middles.append(engine.forecast(item.arrived_ms).hours_remaining.p50)
    known = [middle for middle in middles if middle is not None]
    assert len(known) == len(middles)
    assert max(known) < 1.15 * min(known)


def test_a_cycle_in_which_something_is_not_known_is_no_evidence_whether_its_run_has_ended_or_not() -> None:
    spans = Spans(end_ms=1_000, cycle_ms=1_000, cycle_wh=1.3, cycle_blind_ms=5_000)
    assert spans.cycle_until(181_000, 5_000) == PumpSpan(1_000, 181_000, 1.3)
    assert spans.cycle_until(181_000, 65_000) is None, "blind for a minute of it"
    assert spans.cycle_until(1_000, 5_000) is None
    assert Spans(end_ms=1_000).cycle_until(181_000, 0) is None
