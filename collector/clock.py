"""Clocks, and whether the wall clock can be believed: a board without one boots days off after a power cut."""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from forecaster.domain.ports import Clock, Ledger

CLOCK_NOTE = "clock-suspect"
"""The ledger note of why the wall clock is not believed, empty while it is; of a share `clock-suspect:<share>`."""


def clock_note(share: str) -> str:
    """The note of one collector. share : str — tells apart those that share the sites; "" where one has them all."""
    return f"{CLOCK_NOTE}:{share}" if share else CLOCK_NOTE


def forget_other_shares(ledger: Ledger, share: str) -> None:
    """Drop what collectors noted of their clocks that shared the sites otherwise than now: nobody will renew it."""
    for name in ledger.notes(CLOCK_NOTE):
        if name.partition(":")[2].partition("-")[2] != share.partition("-")[2]:
            ledger.forget_note(name)


def clock_told(ledger: Ledger) -> str | None:
    """Why the wall clock of a collector is not believed, the first that tells so; None while all are."""
    told = ledger.notes(CLOCK_NOTE)
    return next((reason for _, reason in sorted(told.items()) if reason), None)


RELEASED_MS = 1_767_225_600_000
"""2026-01-01: a wall clock before this program was written is wrong."""

TOLERANCE_MS = 5_000
"""A wall clock may be this far behind the last stored arrival (small corrections, two machines)."""

AFTER_BOOT_S = 600.0
"""How long after the machine's start an unsynchronised clock is looked at twice."""

SAVED_CLOCK_MS = 2 * 3_600_000
"""A machine that seems to have been off for less than this may only have carried on from a saved clock."""

STEP_BELIEVED_S = 86_400.0
"""A clock that was set while this ran, and that no time service confirms, is believed after so long."""

HOLD_S = 120.0
"""How long messages are held for the clock before it is carried on from what is known."""


class SystemClock:
    """The machine's clock, with the correction in force while its wall clock is known to be wrong."""

    def __init__(self) -> None:
        self.correction_ms = 0

    def now_ms(self) -> int:
        """UTC milliseconds since 1970; may step."""
        return time.time_ns() // 1_000_000 + self.correction_ms

    def monotonic_s(self) -> float:
        """Seconds that never step."""
        return time.monotonic()


class HeldClock:
    """A clock that stands still until it is told to go: for tests and for replay."""

    def __init__(self, now_ms: int, monotonic_s: float = 0.0) -> None:
        self.wall_ms, self.running_s, self.correction_ms = now_ms, monotonic_s, 0

    def now_ms(self) -> int:
        """UTC milliseconds as set."""
        return self.wall_ms + self.correction_ms

    def monotonic_s(self) -> float:
        """Seconds as advanced."""
        return self.running_s

    def advance(self, seconds: float) -> None:
        """Let time pass."""
        self.wall_ms += round(seconds * 1000)
        self.running_s += seconds

    def step(self, seconds: float) -> None:
        """Set the wall clock forward or back; durations are not touched."""
        self.wall_ms += round(seconds * 1000)


@dataclass(frozen=True, slots=True)
class ClockFacts:
    """What the machine says of its clock.

    synchronised : bool | None — whether a time service keeps it; None: not known
    uptime_s : float | None — since the machine's start [s]
    boot : str — a name for this start of the machine; monotonic stamps of another start mean nothing
    """

    synchronised: bool | None
    uptime_s: float | None
    boot: str


Probe = Callable[[], ClockFacts]


class _Timex(ctypes.Structure):
    """struct timex of adjtimex(2), as far as it is read; the rest is room."""

    _fields_ = (("modes", ctypes.c_uint), ("fields", ctypes.c_long * 32), ("room", ctypes.c_byte * 256))


TIME_ERROR = 5
"""adjtimex(2): the clock is not synchronised."""


def system_probe() -> ClockFacts:
    """The facts of this machine; what it does not tell is None."""
    return ClockFacts(_synchronised(), _uptime_s(), _boot())


def _synchronised() -> bool | None:
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.byref(_Timex()))
    except (AttributeError, OSError):
        return None
    return None if state < 0 else state != TIME_ERROR


def _uptime_s() -> float | None:
    try:
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    except (AttributeError, OSError):
        return None


def _boot() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return "unknown"


@dataclass(frozen=True, slots=True)
class _Moment:
    """A moment at which the wall clock was believed: its time, and the durations then."""

    wall_ms: int
    monotonic_s: float
    uptime_s: float | None

    def gone_ms(self, monotonic_s: float, facts: ClockFacts) -> int:
        """How long ago it was [ms]: by the clock that goes on while the machine sleeps, where there is one."""
        gone_s = monotonic_s - self.monotonic_s
        if self.uptime_s is not None and facts.uptime_s is not None:
            gone_s = max(gone_s, facts.uptime_s - self.uptime_s)
        return round(1000.0 * gone_s)


class ClockWatch:
    """Judges the wall clock, and carries it on from the last stored time where it stays wrong for too long.

    clock : SystemClock | HeldClock — its correction is set here
    last_ms : int | None — arrival of the newest reading stored before; None: nothing is stored
    """

    def __init__(self, clock: SystemClock | HeldClock, probe: Probe, last_ms: int | None) -> None:
        self._clock, self._probe = clock, probe
        self._stored_before_ms = self._last_ms = last_ms
        self._suspect_since_s: float | None = None
        self._carried_on = False
        self._believed: _Moment | None = None
        self._stepped_s: float | None = None
        self.reason: str | None = None
        self.boot = probe().boot
        self.look()

    @property
    def holding(self) -> bool:
        """Whether messages must wait: the clock is suspect and not yet carried on."""
        return self.reason is not None and not self._carried_on

    def stored(self, arrived_ms: int) -> None:
        """An arrival was stored with a stamp of a clock that was believed, or carried on."""
        if self._last_ms is None or arrived_ms > self._last_ms:
            self._last_ms = arrived_ms

    def moved(self) -> bool:
        """Whether the wall clock no longer goes with the durations since it was last looked at."""
        then, now_s = self._believed, self._clock.monotonic_s()
        if then is None:
            return False
        wall_ms = self._clock.now_ms() - self._clock.correction_ms
        gone_ms = round(1000.0 * (now_s - then.monotonic_s))
        return abs(wall_ms + self._clock.correction_ms - then.wall_ms - gone_ms) > TOLERANCE_MS

    def look(self) -> None:
        """Judge the clock anew."""
        wall_ms = self._clock.now_ms() - self._clock.correction_ms
        now_s = self._clock.monotonic_s()
        facts = self._probe()
        if self._goes_on_as_before(wall_ms, now_s, facts):
            return
        reason = self._judge(wall_ms, facts)
        if reason is None:
            self.reason, self._suspect_since_s, self._carried_on = None, None, False
            self._clock.correction_ms = 0
            self._believed, self._stepped_s = _Moment(wall_ms, now_s, facts.uptime_s), None
            return
        self.reason = reason
        if self._suspect_since_s is None:
            self._suspect_since_s = now_s
        if not self._carried_on and now_s - self._suspect_since_s >= HOLD_S:
            self._carry_on(wall_ms, now_s - self._suspect_since_s)

    def _goes_on_as_before(self, wall_ms: int, now_s: float, facts: ClockFacts) -> bool:
        """Whether a clock that was believed was set by far while this ran: times go on with the durations instead.

        Until a time service confirms the new time, or it is set back, or a day has passed.
        """
        then = self._believed
        if then is None:
            return False
        jump_ms = wall_ms - then.wall_ms - then.gone_ms(now_s, facts)
        if abs(jump_ms) <= TOLERANCE_MS or facts.synchronised:
            return False
        self._stepped_s = now_s if self._stepped_s is None else self._stepped_s
        if now_s - self._stepped_s >= STEP_BELIEVED_S:
            return False
        way = "forward" if jump_ms > 0 else "back"
        self.reason = f"the clock here was set {way} by {_span(abs(jump_ms))} while this ran; times go on as before"
        self._carried_on, self._suspect_since_s = True, self._stepped_s
        self._clock.correction_ms = -jump_ms
        return True

    def _judge(self, wall_ms: int, facts: ClockFacts) -> str | None:
        last_ms = self._last_ms
        if facts.synchronised:
            return None
        if wall_ms < RELEASED_MS:
            return "the clock here stands before this program was written; it has not been set since the start"
        if last_ms is None:
            return None
        if wall_ms < last_ms - TOLERANCE_MS:
            return f"the clock here is {_span(last_ms - wall_ms)} behind the last stored message"
        if self._just_started(wall_ms, facts):
            return "the machine has just started and its clock has not been set by a time service yet"
        return None

    def _just_started(self, wall_ms: int, facts: ClockFacts) -> bool:
        """Whether the clock may only have carried on from where it was saved before the machine went off."""
        if facts.synchronised is not False or facts.uptime_s is None or facts.uptime_s >= AFTER_BOOT_S:
            return False
        if self._stored_before_ms is None:
            return False
        off_ms = wall_ms - round(facts.uptime_s * 1000) - self._stored_before_ms
        return 0 <= off_ms < SAVED_CLOCK_MS

    def _carry_on(self, wall_ms: int, waited_s: float) -> None:
        """Go on at the least that the time can be: the last stored time and what has passed since, if that is later."""
        least_ms = (self._last_ms if self._last_ms is not None else RELEASED_MS) + round(waited_s * 1000)
        self._clock.correction_ms = max(0, least_ms - wall_ms)
        self._carried_on = True


def _span(span_ms: int) -> str:
    if span_ms >= 2 * 86_400_000:
        return f"{span_ms / 86_400_000:.1f} days"
    return f"{span_ms / 60_000:.0f} min" if span_ms >= 120_000 else f"{span_ms / 1000:.0f} s"


def watch_of(clock: Clock, probe: Probe | None, last_ms: int | None) -> ClockWatch | None:
    """A watch over a real clock; None for one that is made up, as the demo's is."""
    if isinstance(clock, SystemClock):
        return ClockWatch(clock, probe or system_probe, last_ms)
    if isinstance(clock, HeldClock) and probe is not None:
        return ClockWatch(clock, probe, last_ms)
    return None
