"""A pump that dies: told before the floor is wet, on mains and on the pack, wherever there is time to tell.

The bound is arithmetic: a run is missed after 1.3 of a usual wait and two minutes, or after half the time from when it
was due to the wet floor; where either is shorter than the time to the wet floor, somebody is told before.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest

from forecaster.alarms import AlarmManager
from forecaster.domain.alarms import AlarmKind, AlarmTransition, TransitionKind
from forecaster.engine import Engine
from tests.faults.house import CELLAR, DRAWDOWN_L, Cellar, Condition
from tests.faults.walking import HOUR, MINUTE, QUIET

FREEBOARD_L = 1000.0 * (CELLAR.pit.area_m2 or 0.0) * (CELLAR.pit.freeboard_m or 0.0)
STRIDE_MS = 15_000
LEARNT_RUNS = 40


@dataclass
class Died:
    """When the floor was wet, when the next run had been due, and what the manager said from the pump's death on."""

    died_ms: int
    due_ms: int
    wet_ms: int
    said: list[AlarmTransition]

    def raised_ms(self, kind: AlarmKind) -> int | None:
        found = [t.at_ms for t in self.said if t.kind is TransitionKind.RAISED and t.alarm.kind is kind]
        return found[0] if found else None


def die(inflow_l_per_min: float, *, on_pack: bool) -> Died:
    """A house learns its rhythm; the mains may fail for half an hour; then the pump dies just after a run."""
    cellar, alive = Cellar(), Condition(inflow_l_per_min=inflow_l_per_min)
    wait_min = DRAWDOWN_L / inflow_l_per_min
    cellar.run(LEARNT_RUNS * wait_min / 60.0, lambda _: alive)
    begun_ms = cellar.now_ms
    alive = replace(alive, mains=not on_pack)
    cellar.run(0.5, lambda _: alive)
    step_until(cellar, alive, running=True)
    step_until(cellar, alive, running=False)
    died_ms = cellar.now_ms
    due_ms = died_ms + round(wait_min * MINUTE)
    wet_ms = died_ms + round((DRAWDOWN_L + FREEBOARD_L) / inflow_l_per_min * MINUTE)
    cellar.run((wet_ms - died_ms) / HOUR, lambda _: replace(alive, dead=True))
    return Died(died_ms, due_ms, wet_ms, said_of(cellar, begun_ms, died_ms))


def step_until(cellar: Cellar, condition: Condition, *, running: bool) -> None:
    """Go on second by second until the pump runs, or rests."""
    while cellar.running is not running:
        cellar.run(1.0 / 3600.0, lambda _: condition)


def said_of(cellar: Cellar, from_ms: int, died_ms: int) -> list[AlarmTransition]:
    """Walk the manager over what the house reported; what it said since the pump died."""
    engine, manager = Engine(CELLAR), AlarmManager(CELLAR)
    said: list[AlarmTransition] = []
    next_ms = from_ms
    for reading in sorted(cellar.readings, key=lambda one: one.arrived_ms):
        while next_ms < reading.arrived_ms:
            said += manager.step(engine.status(next_ms), engine.forecast(next_ms), next_ms, QUIET)
            next_ms += STRIDE_MS if next_ms > died_ms else 4 * STRIDE_MS
        engine.update(reading)
    return [t for t in said if t.at_ms >= died_ms]


@pytest.mark.slow
@pytest.mark.parametrize("on_pack", [False, True], ids=["mains", "pack"])
@pytest.mark.parametrize("inflow_l_per_min", [0.5, 2.0, 6.0, 12.0])
def test_a_dead_pump_is_told_before_the_floor_is_wet(inflow_l_per_min: float, on_pack: bool) -> None:
    seen = die(inflow_l_per_min, on_pack=on_pack)
    wait_ms = seen.due_ms - seen.died_ms
    rule_ms = min(0.3 * wait_ms + 2 * MINUTE, 0.5 * (seen.wet_ms - seen.due_ms))
    assert rule_ms < seen.wet_ms - seen.due_ms
    told = next((t for t in seen.said if t.alarm.kind is AlarmKind.PUMP_SILENT and t.tell), None)
    assert told is not None, [(t.alarm.kind, t.at_ms - seen.died_ms) for t in seen.said]
    assert told.at_ms < seen.wet_ms - MINUTE, (told.at_ms - seen.wet_ms) / MINUTE
    assert "the floor may be wet about" in told.alarm.headline
    assert " CST" in told.alarm.headline


@pytest.mark.long
def test_a_pump_that_works_is_not_called_dead_while_the_water_falls() -> None:
    """Inflow halves within two hours after a storm: every wait is longer than the last, and no run is missing."""
    cellar = Cellar()

    def storm(hours: float) -> Condition:
        return Condition(inflow_l_per_min=12.0 if hours < 4.0 else max(12.0 * 0.5 ** ((hours - 4.0) / 2.0), 1.0))

    cellar.run(12.0, storm)
    assert [t.alarm.kind for t in said_of(cellar, cellar.now_ms - 10 * HOUR, 0)] == []
