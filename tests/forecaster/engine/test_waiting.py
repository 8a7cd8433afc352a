"""The wait for the next run, however a site is measured: a dead pump is overdue, a gap in telemetry is not."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.status import SiteStatus
from forecaster.engine import Engine
from tests.forecaster.cellar import HOUR, START, counted, in_order, on_change, pumping, reading, sampled, site

LIMIT = 0.99
"""Of `pump-silent`: this project's own choice."""
HOURS = 30.0
Q = Quantity


def counter(step_wh: float, every_s: float, dead_h: float | None = None) -> Iterator[Reading]:
    """Only the energy counter; from dead_h on it stands still."""
    truth = pumping(HOURS if dead_h is None else dead_h, cycle_s=240.0, slop=0.05)
    return counted(truth, HOURS, every_s, step_wh=step_wh)


def lucky(dead_h: float | None = None) -> Iterator[Reading]:
    """Power once a minute, which catches one run of ten seconds in six."""
    truth = pumping(HOURS if dead_h is None else dead_h, cycle_s=150.0, slop=0.1)
    return sampled(truth, HOURS, 60.0, jitter_s=20.0)


def statuses(engine: Engine, items: Iterator[Reading], from_h: float) -> Iterator[SiteStatus]:
    """The status every five minutes from a time on, as the readings come."""
    next_ms = START + round(from_h * HOUR)
    for item in items:
        while item.arrived_ms > next_ms:
            yield engine.status(next_ms)
            next_ms += HOUR // 12
        engine.update(item)


@pytest.mark.parametrize(("step_wh", "every_s", "within_h"), [(0.1, 60.0, 0.4), (1.0, 60.0, 0.4), (10.0, 30.0, 2.0)])
def test_a_counter_that_has_not_moved_for_far_longer_than_usual_is_a_dead_pump(
    step_wh: float, every_s: float, within_h: float
) -> None:
    alive = statuses(Engine(site(Q.PUMP_ENERGY)), counter(step_wh, every_s), 6.0)
    assert max(found.overdue or 0.0 for found in alive) < LIMIT
    dead_h = 24.0
    dead = statuses(Engine(site(Q.PUMP_ENERGY)), counter(step_wh, every_s, dead_h), dead_h)
    late = [(found.at_ms - START) / HOUR - dead_h for found in dead if (found.overdue or 0.0) > LIMIT]
    assert late, "never overdue"
    assert late[0] <= within_h


def test_sampling_that_catches_a_run_by_chance_tells_a_dead_pump_late_but_tells_it() -> None:
    alive = statuses(Engine(site(Q.PUMP_POWER)), lucky(), 10.0)
    assert max(found.overdue or 0.0 for found in alive) < LIMIT
    dead_h = 24.0
    dead = [found for found in statuses(Engine(site(Q.PUMP_POWER)), lucky(dead_h), dead_h) if found.overdue is not None]
    late = [(found.at_ms - START) / HOUR - dead_h for found in dead if (found.overdue or 0.0) > LIMIT]
    assert late
    assert late[0] < 5.0
    assert (dead[-1].waits or 0.0) > 2.2
    assert dead[-1].waiting_since_ms is not None
    assert dead[-1].waiting_since_ms <= START + dead_h * HOUR


def test_a_gap_in_reports_on_change_is_no_wait_until_the_float_speaks_again() -> None:
    truth = pumping(HOURS, cycle_s=120.0)
    items = list(on_change(truth, HOURS, Q.PIT_FLOAT))
    # a source that also speaks between its changes, on a beat of its own
    items += [reading(Q.PIT_FLOAT, 300.0 * beat + 0.5, float(truth.on(300.0 * beat + 0.5))) for beat in range(360)]
    gap = range(START + 24 * HOUR, START + 24 * HOUR + 7 * 60_000)
    heard = [item for item in in_order(items) if item.time_ms not in gap]
    engine = Engine(site(Q.PIT_FLOAT))
    for item in heard:
        if item.arrived_ms > gap.stop:
            break
        engine.update(item)
    found = engine.status(gap.stop)
    assert found.waits is None or found.waits < 1.5
    for second in (430.0, 550.0, 700.0):
        engine.update(reading(Q.PIT_FLOAT, 24 * 3600.0 + second, 0.0))
    found = engine.status(gap.stop + 290_000)
    assert found.waits == pytest.approx(270.0 / 120.0, rel=0.2), "counted from the end of the gap"


def test_one_odd_run_does_not_make_the_next_one_late() -> None:
    """A gap that hides the end of a run makes it look long, and the flow great for a while."""
    truth = pumping(HOURS, cycle_s=120.0)
    edge_ms = next(START + round(start * 1000) for start, _ in truth.runs if start > 24 * 3600.0)
    gap = range(edge_ms + 1, edge_ms + 200_000)
    engine = Engine(site(Q.PIT_FLOAT))
    heard = [item for item in on_change(truth, HOURS, Q.PIT_FLOAT) if item.time_ms not in gap]
    late = [found.at_ms for found in statuses(engine, iter(heard), 23.9) if (found.waits or 0.0) > 2.2]
    assert late == []
