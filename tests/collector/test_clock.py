"""The clock that is not believed blindly: jumps of 14 days either way, saved clocks, held messages restamped."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from paho.mqtt.enums import CallbackAPIVersion

from collector.clock import (
    CLOCK_NOTE,
    HOLD_S,
    ClockFacts,
    ClockWatch,
    HeldClock,
    SystemClock,
    clock_note,
    clock_told,
    system_probe,
    watch_of,
)
from collector.decode.payload import Decoder
from collector.intake import Intake
from collector.mqtt import wire
from collector.mqtt.wire import Arrived
from collector.store.open import open_ledger, open_store
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.records import HeldMessage
from forecaster.domain.site import Channel, Pack, Pump, Site

NOW_MS = 1_772_510_706_123
FORTNIGHT_S = 14 * 86_400.0
SITE = Site(
    "larkspur",
    "Larkspur Lane cellar",
    "America/Chicago",
    Pump(),
    Pack(1024.0),
    channels=(Channel(Quantity.PUMP_POWER, "plug"), Channel(Quantity.PUMP_CURRENT, "timed", "$.v", time="$.t")),
)


@dataclass
class Machine:
    """What the machine says of its clock; a test changes it."""

    synchronised: bool | None = False
    uptime_s: float = 10_000.0
    boot: str = "boot-1"

    def __call__(self) -> ClockFacts:
        return ClockFacts(self.synchronised, self.uptime_s, self.boot)


@dataclass
class Client(wire.Client):
    """Counts acknowledgements instead of sending them."""

    acknowledged: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(CallbackAPIVersion.VERSION2)

    def ack_all(self, mids: Sequence[int]) -> None:
        """Keep the numbers."""
        self.acknowledged += mids


@dataclass
class Rig:
    """An intake on real stores, worked by hand."""

    store: ReadingStore
    ledger: Ledger
    clock: HeldClock
    machine: Machine
    client: Client = field(default_factory=Client)
    sent: int = 0

    def intake(self, share: str = "", machine: Machine | None = None, clock: HeldClock | None = None) -> Intake:
        """An intake as a start of the program makes it, here or on a machine and clock of its own."""
        clock = self.clock if clock is None else clock
        watch = watch_of(clock, machine or self.machine, self.store.newest_arrival_ms())
        return Intake(Decoder([SITE]), self.store, self.ledger, clock, watch, lambda: None, share=share)

    def send(self, intake: Intake, payload: bytes, topic: str = "plug") -> None:
        """One message, now."""
        self.sent += 1
        intake.handle([Arrived(topic, payload, False, self.clock.monotonic_s(), self.sent, self.client)])

    def wait(self, intake: Intake, seconds: float) -> None:
        """Let time pass; the intake looks at the clock as it would."""
        self.clock.advance(seconds)
        intake.tend()

    def times(self) -> list[tuple[float, int]]:
        """(value, time) of all pump_power readings."""
        points = self.store.series("larkspur", Quantity.PUMP_POWER, 0, 2**53)
        return [(p.mean, p.time_ms) for p in points]


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    store, ledger = open_store(f"sqlite:///{tmp_path / 'r.db'}"), open_ledger(f"sqlite:///{tmp_path / 'l.db'}")
    yield Rig(store, ledger, HeldClock(NOW_MS, 500.0), Machine())
    store.close()
    ledger.close()


def test_a_clock_that_went_back_a_fortnight_holds_messages_and_restamps_them(rig: Rig) -> None:
    intake = rig.intake()
    rig.send(intake, b"1")
    rig.clock.step(-FORTNIGHT_S)
    intake = rig.intake()
    rig.wait(intake, 10)
    rig.send(intake, b"2")
    rig.wait(intake, 20)
    rig.send(intake, b"3")
    assert rig.times() == [(1.0, NOW_MS)]
    assert rig.client.acknowledged == [1, 2, 3], "what is held is durable, and acknowledged"
    assert "14.0 days behind" in (rig.ledger.noted(CLOCK_NOTE) or "")
    rig.clock.step(FORTNIGHT_S)
    rig.wait(intake, 5)
    assert rig.times() == [(1.0, NOW_MS), (2.0, NOW_MS + 10_000), (3.0, NOW_MS + 30_000)]
    assert rig.ledger.noted(CLOCK_NOTE) == ""
    assert rig.ledger.held(10) == []


def test_of_two_collectors_each_holds_its_own_and_tells_its_own_clock(rig: Rig) -> None:
    """One machine's clock is right, another's is a fortnight behind: neither speaks for the other, nor takes over."""
    right = rig.intake("1-2")
    rig.send(right, b"1")
    late_clock = HeldClock(NOW_MS, 500.0)
    late_clock.step(-FORTNIGHT_S)
    late = rig.intake("2-2", Machine(boot="boot-2"), late_clock)
    late.resume()
    late_clock.advance(10)
    late.tend()
    rig.sent += 1
    late.handle([Arrived("plug", b"2", False, late_clock.monotonic_s(), rig.sent, rig.client)])
    assert "14.0 days behind" in (clock_told(rig.ledger) or "")
    right.resume()
    rig.wait(right, 20)
    assert "14.0 days behind" in (clock_told(rig.ledger) or ""), "a right clock is no word on another one"
    assert len(rig.ledger.held(10, "2-2")) == 1
    assert rig.times() == [(1.0, NOW_MS)]
    late_clock.step(FORTNIGHT_S)
    late_clock.advance(5)
    late.tend()
    assert rig.times() == [(1.0, NOW_MS), (2.0, NOW_MS + 10_000)]
    assert clock_told(rig.ledger) is None


def test_what_was_noted_under_another_division_of_the_sites_is_dropped(rig: Rig) -> None:
    rig.ledger.note(CLOCK_NOTE, "the clock of the only collector there was")
    rig.ledger.note(clock_note("2-5"), "the clock of one of five")
    rig.ledger.note(clock_note("1-2"), "the clock of one of two")
    rig.intake("2-2").resume()
    assert rig.ledger.notes(CLOCK_NOTE) == {clock_note("1-2"): "the clock of one of two"}


def test_held_messages_outlive_the_program_and_keep_their_stamps(rig: Rig) -> None:
    intake = rig.intake()
    rig.send(intake, b"1")
    rig.clock.step(-FORTNIGHT_S)
    rig.clock.advance(7)
    rig.send(rig.intake(), b"2")
    rig.clock.advance(30)
    rig.clock.step(FORTNIGHT_S)
    again = rig.intake()
    again.resume()
    rig.wait(again, 2)
    assert rig.times() == [(1.0, NOW_MS), (2.0, NOW_MS + 7_000)]
    assert rig.ledger.held(10) == []


def test_held_messages_of_an_earlier_start_of_the_machine_are_not_guessed(rig: Rig) -> None:
    timed = b'{"v":3,"t":%d}' % (NOW_MS // 1000 - 50)
    rig.ledger.hold(
        [HeldMessage("boot-0", 9_999.0, "plug", b"5", False), HeldMessage("boot-0", 9_999.0, "timed", timed, False)]
    )
    intake = rig.intake()
    intake.resume()
    rig.wait(intake, 2)
    assert rig.times() == []
    assert rig.store.latest("larkspur")[Quantity.PUMP_CURRENT, ""].time_ms == (NOW_MS // 1000 - 50) * 1000
    (refusal,) = rig.ledger.refusals("larkspur")
    assert "its time is not known" in refusal.reason
    assert refusal.payload == b"5"


@pytest.mark.parametrize("step_s", [FORTNIGHT_S, 3 * 86_400.0, -3 * 86_400.0, 3600.0, -60.0])
def test_a_clock_that_is_set_while_it_runs_and_set_back_moves_no_time(rig: Rig, step_s: float) -> None:
    intake = rig.intake()
    rig.send(intake, b"0")
    rig.wait(intake, 5)
    rig.clock.step(step_s)
    rig.send(intake, b"1")
    rig.wait(intake, 60)
    rig.send(intake, b"2")
    assert "was set" in (rig.ledger.noted(CLOCK_NOTE) or "")
    assert rig.clock.now_ms() == NOW_MS + 65_000, "the corrected clock is everyone's"
    rig.clock.step(-step_s)
    rig.wait(intake, 5)
    rig.send(intake, b"3")
    assert rig.times() == [(0.0, NOW_MS), (1.0, NOW_MS + 5_000), (2.0, NOW_MS + 65_000), (3.0, NOW_MS + 70_000)]
    assert (rig.ledger.noted(CLOCK_NOTE), rig.clock.correction_ms, rig.ledger.held(10)) == ("", 0, [])


def test_a_clock_that_a_time_service_sets_is_believed(rig: Rig) -> None:
    intake = rig.intake()
    rig.wait(intake, 5)
    rig.clock.step(3600.0)
    rig.machine.synchronised = True
    rig.wait(intake, 5)
    rig.send(intake, b"1")
    assert rig.times() == [(1.0, NOW_MS + 3_610_000)]
    assert rig.ledger.noted(CLOCK_NOTE) in (None, "")


def test_a_new_time_that_stands_for_a_day_is_believed(rig: Rig) -> None:
    intake = rig.intake()
    rig.wait(intake, 5)
    rig.clock.step(3600.0)
    for _ in range(26):
        rig.wait(intake, 3600.0)
    assert (rig.clock.correction_ms, rig.ledger.noted(CLOCK_NOTE)) == (0, "")


def test_a_machine_that_slept_is_not_one_whose_clock_was_set(rig: Rig) -> None:
    intake = rig.intake()
    rig.wait(intake, 5)
    rig.clock.step(7200.0)
    rig.machine.uptime_s += 7205.0
    rig.wait(intake, 5)
    assert (rig.clock.correction_ms, rig.ledger.noted(CLOCK_NOTE)) == (0, "")


def test_when_nobody_sets_the_clock_it_is_carried_on_from_what_is_known(rig: Rig) -> None:
    """A power cut takes the network along: forecasts must go on, at the least that the time can be, and said so."""
    intake = rig.intake()
    rig.send(intake, b"1")
    rig.clock.step(-FORTNIGHT_S)
    intake = rig.intake()
    rig.wait(intake, 10)
    rig.send(intake, b"2")
    for _ in range(13):
        rig.wait(intake, 10)
    assert HOLD_S <= 130
    assert [value for value, _ in rig.times()] == [1.0, 2.0]
    assert NOW_MS < rig.times()[1][1] <= NOW_MS + 12_000
    assert rig.clock.now_ms() >= NOW_MS + 120_000, "the corrected clock is everyone's"
    assert "behind" in (rig.ledger.noted(CLOCK_NOTE) or "")
    rig.clock.step(FORTNIGHT_S + 3600)
    rig.wait(intake, 2)
    assert rig.clock.correction_ms == 0
    rig.send(intake, b"3")
    assert rig.times()[-1] == (3.0, rig.clock.now_ms())


def test_a_saved_clock_after_a_start_is_looked_at_twice() -> None:
    clock, machine = HeldClock(NOW_MS), Machine(uptime_s=60.0)
    assert ClockWatch(clock, machine, NOW_MS - 120_000).holding, "seems never to have been off"
    assert not ClockWatch(clock, machine, NOW_MS - 30_000).holding, "stored since this start"
    assert not ClockWatch(clock, machine, NOW_MS - 86_400_000).holding, "a clock that ran on while off"
    assert not ClockWatch(clock, machine, None).holding, "nothing to compare with"
    assert not ClockWatch(clock, Machine(True, 60.0), NOW_MS - 120_000).holding
    assert not ClockWatch(clock, Machine(None, 60.0), NOW_MS - 120_000).holding
    assert not ClockWatch(clock, Machine(False, 5_000.0), NOW_MS - 120_000).holding


def test_a_clock_of_1970_is_suspect_even_with_nothing_stored() -> None:
    watch = ClockWatch(HeldClock(40_000), Machine(), None)
    assert watch.holding
    assert "has not been set" in (watch.reason or "")


def test_the_machine_answers_and_its_own_clock_is_watched() -> None:
    facts = system_probe()
    assert facts.uptime_s is not None
    assert facts.uptime_s > 0
    assert len(facts.boot) == 36
    assert facts.boot == system_probe().boot
    clock = SystemClock()
    assert watch_of(clock, None, None) is not None
    assert abs(clock.now_ms() - time.time() * 1000) < 60_000
    assert watch_of(HeldClock(0), None, None) is None, "a made-up clock is nobody's business"
