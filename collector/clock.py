"""Clocks, and whether the wall clock can be believed: after a power cut a board without a battery clock is days off."""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from forecaster.domain.ports import Clock, Ledger
from forecaster.texts.catalogue import words

CLOCK_NOTE = "clock-suspect"
"""The ledger note on why the wall clock is not believed, empty while it is; of a share `clock-suspect:<share>`."""


def clock_note(share: str) -> str:
    """The ledger note of one collector. share : str — its share of the sites; "" where it has all of them."""
    return f"{CLOCK_NOTE}:{share}" if share else CLOCK_NOTE


def forget_other_shares(ledger: Ledger, share: str) -> None:
    """Drop the clock notes of collectors whose shares no longer exist: nobody will update them."""
    for name in ledger.notes(CLOCK_NOTE):
        if name.partition(":")[2].partition("-")[2] != share.partition("-")[2]:
            ledger.forget_note(name)


def clock_told(ledger: Ledger) -> str | None:
    """Why a collector's wall clock is not believed, from the first note that says so; None while all are believed."""
    told = ledger.notes(CLOCK_NOTE)
    return next((reason for _, reason in sorted(told.items()) if reason), None)


RELEASED_MS = 1_767_225_600_000
"""2026-01-01 [UTC milliseconds]: a wall clock before the time of this program is wrong."""

TOLERANCE_MS = 5_000
"""How far the wall clock may be behind the last stored arrival [ms]: small corrections, two machines."""

AFTER_BOOT_S = 600.0
"""How long after the machine's start an unsynchronised clock is suspected [s]."""

SAVED_CLOCK_MS = 2 * 3_600_000
"""If the machine seems to have been off for less than this, its clock may have resumed from a saved value [ms]."""

STEP_BELIEVED_S = 86_400.0
"""How long until a clock that was set while the program ran is believed without a time service [s]."""

HOLD_S = 120.0
"""How long messages are held before the clock is replaced by an estimate [s]."""


class SystemClock:
    """The machine's clock, corrected while its wall clock is known to be wrong."""

    def __init__(self) -> None:
        self.correction_ms = 0

    def now_ms(self) -> int:
        """UTC milliseconds since 1970; may step."""
        return time.time_ns() // 1_000_000 + self.correction_ms

    def monotonic_s(self) -> float:
        """Seconds that never step."""
        return time.monotonic()


class HeldClock:
    """A clock that only moves when it is told to, for tests and for replay."""

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
    """What the operating system says about its clock.

    synchronised : bool | None — whether a time service keeps it right; None: not known
    uptime_s : float | None — since the machine's start [s]
    boot : str — identifies this start of the machine; monotonic stamps of other starts cannot be compared
    """

    synchronised: bool | None
    uptime_s: float | None
    boot: str


Probe = Callable[[], ClockFacts]


class _Timex(ctypes.Structure):
    """struct timex of adjtimex(2): the fields that are read, and padding for the rest."""

    _fields_ = (("modes", ctypes.c_uint), ("fields", ctypes.c_long * 32), ("room", ctypes.c_byte * 256))


TIME_ERROR = 5
"""adjtimex(2): the clock is not synchronised."""


def system_probe() -> ClockFacts:
    """The facts of this machine; None for what it does not tell."""
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
    """A moment at which the wall clock was believed: its time, and the monotonic clocks then."""

    wall_ms: int
    monotonic_s: float
    uptime_s: float | None

    def gone_ms(self, monotonic_s: float, facts: ClockFacts) -> int:
        """How long ago it was [ms], by a clock that also counts while the machine sleeps, where there is one."""
        gone_s = monotonic_s - self.monotonic_s
        if self.uptime_s is not None and facts.uptime_s is not None:
            gone_s = max(gone_s, facts.uptime_s - self.uptime_s)
        return round(1000.0 * gone_s)


class ClockWatch:
    """Judges the wall clock, and replaces it by an estimate from the last stored time where it stays wrong too long.

    clock : SystemClock | HeldClock — the clock to judge; its correction is set here
    last_ms : int | None — arrival of the newest stored reading [UTC milliseconds]; None: nothing is stored
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
        """Whether messages must wait: the clock is suspect and no estimate has replaced it yet."""
        return self.reason is not None and not self._carried_on

    def stored(self, arrived_ms: int) -> None:
        """Record that an arrival was stored, stamped by a believed or estimated clock."""
        if self._last_ms is None or arrived_ms > self._last_ms:
            self._last_ms = arrived_ms

    def moved(self) -> bool:
        """Whether the wall clock has jumped against the monotonic clock since it was last judged."""
        then, now_s = self._believed, self._clock.monotonic_s()
        if then is None:
            return False
        wall_ms = self._clock.now_ms() - self._clock.correction_ms
        gone_ms = round(1000.0 * (now_s - then.monotonic_s))
        return abs(wall_ms + self._clock.correction_ms - then.wall_ms - gone_ms) > TOLERANCE_MS

    def look(self) -> None:
        """Judge the clock again."""
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
        """Whether a believed clock was set by a large step while the program ran; times then follow the monotonic one.

        That holds until a time service confirms the new time, or it is set back, or a day has passed.
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
        key = "clock_doubt.stepped_forward" if jump_ms > 0 else "clock_doubt.stepped_back"
        self.reason = words()(key, span=_span(abs(jump_ms)))
        self._carried_on, self._suspect_since_s = True, self._stepped_s
        self._clock.correction_ms = -jump_ms
        return True

    def _judge(self, wall_ms: int, facts: ClockFacts) -> str | None:
        last_ms = self._last_ms
        if facts.synchronised:
            return None
        if wall_ms < RELEASED_MS:
            return words()("clock_doubt.never_set")
        if last_ms is None:
            return None
        if wall_ms < last_ms - TOLERANCE_MS:
            return words()("clock_doubt.behind", span=_span(last_ms - wall_ms))
        if self._just_started(wall_ms, facts):
            return words()("clock_doubt.just_started")
        return None

    def _just_started(self, wall_ms: int, facts: ClockFacts) -> bool:
        """Whether the clock may only have resumed from a value saved before the machine was switched off."""
        if facts.synchronised is not False or facts.uptime_s is None or facts.uptime_s >= AFTER_BOOT_S:
            return False
        if self._stored_before_ms is None:
            return False
        off_ms = wall_ms - round(facts.uptime_s * 1000) - self._stored_before_ms
        return 0 <= off_ms < SAVED_CLOCK_MS

    def _carry_on(self, wall_ms: int, waited_s: float) -> None:
        """Set the clock to the earliest possible time: the last stored one plus what has passed since, if later."""
        least_ms = (self._last_ms if self._last_ms is not None else RELEASED_MS) + round(waited_s * 1000)
        self._clock.correction_ms = max(0, least_ms - wall_ms)
        self._carried_on = True


def _span(span_ms: int) -> str:
    if span_ms >= 2 * 86_400_000:
        return words()("clock_doubt.days", value=span_ms / 86400000)
    return words()("clock_doubt.min", value=span_ms / 60000) if span_ms >= 120_000 else f"{span_ms / 1000:.0f} s"


def watch_of(clock: Clock, probe: Probe | None, last_ms: int | None) -> ClockWatch | None:
    """A watch over a real clock; None for an artificial clock such as the demo's."""
    if isinstance(clock, SystemClock):
        return ClockWatch(clock, probe or system_probe, last_ms)
    if isinstance(clock, HeldClock) and probe is not None:
        return ClockWatch(clock, probe, last_ms)
    return None
