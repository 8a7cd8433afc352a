"""Fault scenarios: each raises the right kind, at the right time, once, and nothing that only looks like it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import pytest

from forecaster.alarms import AlarmManager, Failing, Outside
from forecaster.domain.alarms import AlarmKind, AlarmTransition, Priority, TransitionKind
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.engine import Engine
from tests.faults.house import CELLAR, Cellar, Condition
from tests.faults.walking import DAY, HOUR, MINUTE, QUIET

K, Q = AlarmKind, Quantity
LEARNT_DAYS = 2.0


@dataclass
class Learnt:
    """A house that has run undisturbed for two days, and an engine that has watched it."""

    cellar: Cellar
    engine: bytes
    manager: bytes


@pytest.fixture(scope="module")
def learnt() -> Learnt:
    cellar = Cellar()

    def weather(hours: float) -> Condition:
        return Condition(inflow_l_per_min=10.0 - 3.0 * ((hours // 6 + 1) % 3))  # the last hours as those that follow

    cellar.run(24.0 * LEARNT_DAYS, weather)
    engine, manager = Engine(CELLAR), AlarmManager(CELLAR)
    for reading in cellar.readings:
        engine.update(reading)
    now = cellar.now_ms
    assert manager.step(engine.status(now), engine.forecast(now), now) == []
    return Learnt(cellar, engine.snapshot(), manager.snapshot())


Change = Callable[[Iterable[Reading], int], Iterable[Reading]]


def unchanged(readings: Iterable[Reading], start_ms: int) -> Iterable[Reading]:
    del start_ms
    return readings


@dataclass
class Seen:
    """What the manager said, and when the fault began."""

    said: list[AlarmTransition]
    start_ms: int

    def raised(self) -> list[tuple[AlarmKind, float]]:
        """Kind and minutes after the fault began, of every raise."""
        return [
            (t.alarm.kind, (t.at_ms - self.start_ms) / MINUTE) for t in self.said if t.kind is TransitionKind.RAISED
        ]

    def once(self, kind: AlarmKind) -> AlarmTransition:
        found = [t for t in self.said if t.kind is TransitionKind.RAISED and t.alarm.kind is kind]
        assert len(found) == 1, self.raised()
        return found[0]


def play(
    learnt: Learnt,
    hours: float,
    condition: Callable[[float], Condition],
    *,
    change: Change = unchanged,
    outside: Callable[[float, int], Outside] | None = None,
    stride_s: float = 60.0,
) -> Seen:
    """Go on from the learnt house with a fault from its first second."""
    cellar = learnt.cellar.copy()
    start = cellar.now_ms
    cellar.run(hours, condition)
    engine, manager = Engine.restore(CELLAR, learnt.engine), AlarmManager.restore(CELLAR, learnt.manager)
    seen = Seen([], start)
    waiting = sorted(change(cellar.readings, start), key=lambda reading: reading.arrived_ms)
    index, issued = 0, engine.forecast(start)
    for now in range(start, start + int(hours * HOUR), int(stride_s * 1000)):
        while index < len(waiting) and waiting[index].arrived_ms <= now:
            engine.update(waiting[index])
            index += 1
        status = engine.status(now)
        if status.supply is not issued.supply or now - issued.issued_at_ms >= 5 * MINUTE:
            issued = engine.forecast(now)
        beside = QUIET if outside is None else outside((now - start) / HOUR, now)
        seen.said += manager.step(status, issued, now, beside)
    return seen


def only(*quantities: Quantity, from_h: float = 0.0) -> Change:
    """These quantities fall silent."""

    def change(readings: Iterable[Reading], start_ms: int) -> Iterable[Reading]:
        return [r for r in readings if r.quantity not in quantities or r.time_ms < start_ms + int(from_h * HOUR)]

    return change


def stuck(quantity: Quantity, from_h: float) -> Change:
    """A quantity reports, and reports what it said last."""

    def change(readings: Iterable[Reading], start_ms: int) -> Iterable[Reading]:
        last = None
        for reading in readings:
            if reading.quantity is not quantity:
                yield reading
            elif reading.time_ms < start_ms + int(from_h * HOUR) or last is None:
                last = reading.value
                yield reading
            else:
                yield replace(reading, value=last)

    return change


def pulled(at_ms: int) -> DischargeTest:
    """A test whose plug is said to be pulled at a time."""
    return DischargeTest(f"{CELLAR.id}:test:{at_ms}", CELLAR.id, at_ms, "owner", pulled_ms=at_ms)


STEADY = Condition()


def outage(from_h: float = 0.0, until_h: float = 1e9, rest: Condition = STEADY) -> Callable[[float], Condition]:
    return lambda hours: replace(rest, mains=not from_h <= hours < until_h)


def always(condition: Condition) -> Callable[[float], Condition]:
    return lambda _hours: condition


def test_a_mains_failure_and_its_return(learnt: Learnt) -> None:
    seen = play(learnt, 2.0, outage(0.0, 1.5), stride_s=20.0)
    [(kind, after_min)] = seen.raised()
    assert kind is K.MAINS_LOST
    assert after_min <= 1.0
    cleared = [t for t in seen.said if t.kind is TransitionKind.CLEARED]
    assert [t.alarm.kind for t in cleared] == [K.MAINS_LOST]
    assert cleared[0].tell
    assert re.search(r"after (89|90) min; pack at 9\d%", cleared[0].alarm.headline)


def test_an_outage_to_the_floor_and_a_house_gone_dark(learnt: Learnt) -> None:
    wet = replace(STEADY, inflow_l_per_min=30.0)
    seen = play(learnt, 11.0, outage(0.0, 10.0, wet), stride_s=120.0)
    kinds = [kind for kind, _ in seen.raised()]
    expected = [K.MAINS_LOST, K.LOW_RESERVE, K.CRITICAL_RESERVE, K.RESERVE_REACHED]
    assert [kind for kind in kinds if kind in expected] == expected
    assert set(kinds) - set(expected) <= {K.HIGH_WATER, K.PUMP_SILENT, K.PACK_OUTPUT_OFF}
    assert len([t for t in seen.said if t.tell]) <= 10


def test_a_dead_pump_on_mains_reads_like_a_tripped_gfci(learnt: Learnt) -> None:
    """NEC 2020 422.5(A)(6) wants a GFCI for sump pumps: a tripped one looks like an outage to the pump only."""
    seen = play(learnt, 2.0, always(replace(STEADY, dead=True)))
    alarm = seen.once(K.PUMP_SILENT).alarm
    assert "Mains is on, yet the pump seems dead" in alarm.headline
    assert "GFCI" in alarm.action
    assert "Never step into water" in alarm.action
    assert {kind for kind, _ in seen.raised()} <= {K.PUMP_SILENT, K.HIGH_WATER}
    minutes = dict(seen.raised())
    assert minutes[K.PUMP_SILENT] < 20.0
    assert minutes[K.PUMP_SILENT] <= minutes.get(K.HIGH_WATER, 1e9) + 10.0


def test_a_dead_pump_on_the_pack(learnt: Learnt) -> None:
    seen = play(learnt, 2.0, outage(rest=replace(STEADY, dead=True)))
    alarm = seen.once(K.PUMP_SILENT).alarm
    assert "GFCI" not in alarm.action
    assert {kind for kind, _ in seen.raised()} <= {K.MAINS_LOST, K.PUMP_SILENT, K.HIGH_WATER}


def test_a_float_that_never_lets_go(learnt: Learnt) -> None:
    seen = play(learnt, 2.0, always(replace(STEADY, stuck_on=True)))
    seen.once(K.PUMP_OVERRUN)
    assert [kind for kind, _ in seen.raised()] == [K.PUMP_OVERRUN]
    assert seen.raised()[0][1] < 15.0


@pytest.mark.slow
def test_more_water_than_the_pump_can_lift(learnt: Learnt) -> None:
    seen = play(learnt, 2.0, always(replace(STEADY, inflow_l_per_min=152.0)))
    assert {kind for kind, _ in seen.raised()} <= {K.PUMP_OVERRUN, K.HIGH_WATER}
    seen.once(K.PUMP_OVERRUN)


@pytest.fixture(scope="module")
def seasoned(learnt: Learnt) -> Learnt:
    """The same house after four more days."""
    cellar = learnt.cellar.copy()
    engine = Engine.restore(CELLAR, learnt.engine)
    cellar.run(96.0, lambda hours: Condition(inflow_l_per_min=4.0 + 3.0 * ((hours // 6) % 3)))
    for reading in cellar.readings:
        engine.update(reading)
    return Learnt(cellar, engine.snapshot(), learnt.manager)


@pytest.mark.long
@pytest.mark.timeout(900)
def test_a_leaking_check_valve(seasoned: Learnt) -> None:
    leaking = replace(STEADY, back_l=27.0, inflow_l_per_min=5.0)
    seen = play(seasoned, 23.0, always(leaking), stride_s=600.0)
    seen.once(K.RAPID_CYCLING)
    assert [kind for kind, _ in seen.raised()] == [K.RAPID_CYCLING]
    assert seen.raised()[0][1] < 23.0 * 60.0


def test_a_switch_that_chatters_is_told_far_sooner(learnt: Learnt) -> None:
    """Short runs move little water: nothing that a storm does."""
    seen = play(learnt, 2.5, always(replace(STEADY, switch_on_l=10.0, inflow_l_per_min=8.0)), stride_s=120.0)
    alarm = seen.once(K.RAPID_CYCLING).alarm
    assert "short runs" in alarm.headline
    assert [kind for kind, _ in seen.raised()] == [K.RAPID_CYCLING]


@pytest.mark.slow
def test_a_storm_is_not_rapid_cycling(learnt: Learnt) -> None:
    seen = play(learnt, 6.0, always(replace(STEADY, inflow_l_per_min=14.0)), stride_s=120.0)
    assert seen.raised() == []


def test_a_plug_that_falls_silent(learnt: Learnt) -> None:
    seen = play(learnt, 3.0, always(STEADY), change=only(Q.PUMP_POWER, Q.PUMP_ENERGY, from_h=1.0))
    assert [kind for kind, _ in seen.raised()] == [K.TELEMETRY_SILENT]
    assert 85.0 <= seen.raised()[0][1] <= 95.0
    assert "pump power" in seen.said[0].alarm.headline


def test_a_house_that_falls_silent_on_mains(learnt: Learnt) -> None:
    seen = play(learnt, 3.0, always(STEADY), change=only(*Quantity, from_h=1.0))
    alarm = seen.once(K.TELEMETRY_SILENT).alarm
    assert [kind for kind, _ in seen.raised()] == [K.TELEMETRY_SILENT]
    assert alarm.priority is Priority.MEDIUM
    assert "If the mains failed then, the pack lasts until about" in alarm.headline
    assert 70.0 <= seen.raised()[0][1] <= 80.0


def test_a_house_that_falls_silent_on_the_pack(learnt: Learnt) -> None:
    seen = play(learnt, 4.0, outage(), change=only(*Quantity, from_h=1.0))
    assert [kind for kind, _ in seen.raised()] == [K.MAINS_LOST, K.TELEMETRY_SILENT]
    alarm = seen.once(K.TELEMETRY_SILENT).alarm
    assert alarm.priority is Priority.HIGH
    assert "Projected to last until about" in alarm.headline
    assert 65.0 <= seen.raised()[1][1] <= 75.0
    assert not [t for t in seen.said if t.kind is TransitionKind.CLEARED]


def test_a_silent_house_that_speaks_again(learnt: Learnt) -> None:
    def gap(readings: Iterable[Reading], start_ms: int) -> Iterable[Reading]:
        return [r for r in readings if not start_ms + HOUR <= r.time_ms < start_ms + 2 * HOUR]

    seen = play(learnt, 4.0, always(STEADY), change=gap)
    assert [kind for kind, _ in seen.raised()] == [K.TELEMETRY_SILENT]
    assert [t.alarm.kind for t in seen.said if t.kind is TransitionKind.CLEARED] == [K.TELEMETRY_SILENT]


@pytest.mark.slow
def test_a_charge_that_stands_still_while_the_pack_drains(learnt: Learnt) -> None:
    wet = replace(STEADY, inflow_l_per_min=12.0)
    seen = play(learnt, 5.0, outage(rest=wet), change=stuck(Q.PACK_CHARGE, 0.5), stride_s=120.0)
    assert [kind for kind, _ in seen.raised() if kind is not K.LOW_RESERVE] == [K.MAINS_LOST, K.TELEMETRY_SILENT]
    assert "stood still" in seen.once(K.TELEMETRY_SILENT).alarm.headline


@pytest.mark.slow
def test_a_power_that_stands_still_while_the_counter_rises(learnt: Learnt) -> None:
    seen = play(learnt, 6.0, always(STEADY), change=stuck(Q.PUMP_POWER, 0.5), stride_s=120.0)
    assert [kind for kind, _ in seen.raised()] == [K.TELEMETRY_SILENT]
    assert "pump power" in seen.once(K.TELEMETRY_SILENT).alarm.headline


@pytest.mark.parametrize("days", [14, -14])
def test_a_clock_that_jumps(learnt: Learnt, days: int) -> None:
    def jump(readings: Iterable[Reading], start_ms: int) -> Iterable[Reading]:
        for reading in readings:
            late = reading.time_ms >= start_ms + HOUR // 2
            yield replace(reading, time_ms=reading.time_ms + days * DAY) if late else reading

    seen = play(learnt, 2.0, always(STEADY), change=jump)
    assert [kind for kind, _ in seen.raised()] == [K.CLOCK_SUSPECT]


def test_a_full_disk(learnt: Learnt) -> None:
    full = Outside(trouble="the disk is full")
    seen = play(
        learnt, 2.0, always(STEADY), change=only(*Quantity, from_h=0.5),
        outside=lambda hours, _now_ms: full if hours >= 0.5 else QUIET,
    )  # fmt: skip
    assert [kind for kind, _ in seen.raised()] == [K.TELEMETRY_SILENT]
    assert "the disk is full" in seen.once(K.TELEMETRY_SILENT).alarm.headline


def test_power_pinned_at_the_packs_rating(learnt: Learnt) -> None:
    def pinned(readings: Iterable[Reading], start_ms: int) -> Iterable[Reading]:
        del start_ms
        for reading in readings:
            running = reading.quantity is Q.PUMP_POWER and reading.value > 100.0
            yield replace(reading, value=900.0) if running else reading

    seen = play(learnt, 3.0, outage(rest=replace(STEADY, running_w=900.0)), change=pinned)
    seen.once(K.LOAD_AT_RATING)
    assert {kind for kind, _ in seen.raised()} == {K.MAINS_LOST, K.LOAD_AT_RATING}


@pytest.mark.parametrize(("celsius", "word"), [(-5.0, "too cold to be charged"), (52.0, "should stay below 113 °F")])
def test_a_pack_too_cold_or_too_warm(learnt: Learnt, celsius: float, word: str) -> None:
    seen = play(learnt, 2.0, always(replace(STEADY, temperature_c=celsius)))
    assert [kind for kind, _ in seen.raised()] == [K.PACK_TEMPERATURE]
    assert word in seen.once(K.PACK_TEMPERATURE).alarm.headline
    assert seen.raised()[0][1] <= 10.0


def test_a_pack_that_sleeps_on_a_small_load(learnt: Learnt) -> None:
    seen = play(learnt, 2.0, lambda hours: Condition(mains=False, output_on=hours < 0.5))
    alarm = seen.once(K.PACK_OUTPUT_OFF).alarm
    assert "The pack carries nothing" in alarm.headline
    assert {kind for kind, _ in seen.raised()} <= {K.MAINS_LOST, K.PACK_OUTPUT_OFF, K.HIGH_WATER}
    assert dict(seen.raised())[K.PACK_OUTPUT_OFF] <= 30.0 + 10.0


def test_a_pack_that_stays_off_after_the_mains_came_back(learnt: Learnt) -> None:
    seen = play(learnt, 2.0, lambda hours: Condition(mains=hours >= 0.5, output_on=hours < 0.4))
    alarm = seen.once(K.PACK_OUTPUT_OFF).alarm
    assert {kind for kind, _ in seen.raised()} <= {K.MAINS_LOST, K.PACK_OUTPUT_OFF, K.HIGH_WATER}
    assert alarm.priority is Priority.CRITICAL


@pytest.mark.slow
def test_a_pack_that_does_not_charge_again(learnt: Learnt) -> None:
    wet = Condition(inflow_l_per_min=20.0, charging=False)
    seen = play(learnt, 6.0, outage(0.0, 3.0, wet), stride_s=120.0)
    assert [kind for kind, _ in seen.raised() if kind is not K.LOW_RESERVE] == [K.MAINS_LOST, K.PACK_NOT_CHARGING]
    assert 180.0 + 15.0 <= dict(seen.raised())[K.PACK_NOT_CHARGING] <= 180.0 + 90.0


@pytest.mark.long
def test_a_pack_that_charges_is_left_alone(learnt: Learnt) -> None:
    seen = play(learnt, 7.0, outage(0.0, 3.0, Condition(inflow_l_per_min=20.0)))
    assert [kind for kind, _ in seen.raised() if kind is not K.LOW_RESERVE] == [K.MAINS_LOST]


@pytest.mark.parametrize(("watts", "word"), [(620.0, "labouring"), (300.0, "moving no water")])
def test_a_pump_that_draws_more_or_less(learnt: Learnt, watts: float, word: str) -> None:
    seen = play(learnt, 3.0, always(replace(STEADY, running_w=watts)))
    assert [kind for kind, _ in seen.raised()] == [K.PUMP_POWER_ABNORMAL]
    assert word in seen.once(K.PUMP_POWER_ABNORMAL).alarm.headline


def test_a_mains_that_flickers(learnt: Learnt) -> None:
    seen = play(learnt, 2.0, lambda hours: Condition(mains=(hours * 60.0) % 4.0 >= 2.0 or hours > 1.0))
    assert {kind for kind, _ in seen.raised()} == {K.MAINS_LOST}
    assert len({t.alarm.episode for t in seen.said}) == 1
    assert len([t for t in seen.said if t.tell]) <= 4


def test_a_channel_that_keeps_failing(learnt: Learnt) -> None:
    seen = play(
        learnt, 2.0, always(STEADY),
        outside=lambda hours, now_ms: Outside(failing=(Failing("mail", now_ms - int(hours * HOUR), "no route"),)),
    )  # fmt: skip
    assert [kind for kind, _ in seen.raised()] == [K.DELIVERY_FAILING]
    assert "mail" in seen.once(K.DELIVERY_FAILING).alarm.headline
    assert 30.0 <= seen.raised()[0][1] <= 31.0


def test_a_rehearsal_is_not_a_mains_failure(learnt: Learnt) -> None:
    seen = play(learnt, 3.0, outage(), outside=lambda _hours, _now_ms: Outside(rehearsal=pulled(learnt.cellar.now_ms)))
    assert seen.raised() == []


@pytest.mark.long
def test_nothing_is_said_of_a_quiet_house(learnt: Learnt) -> None:
    seen = play(learnt, 8.0, lambda hours: Condition(inflow_l_per_min=4.0 - 2.0 * hours / 8.0), stride_s=120.0)
    assert seen.said == []
