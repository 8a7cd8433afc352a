"""Runs from one stream of readings: a power, a current read as power, or a yes/no.

A value holds from its reading to the next (right for reports on change, unbiased for sampling), and is never carried
across a gap. With sampling, an edge lies between two samples and is put in the middle.
"""

from __future__ import annotations

import msgspec

from forecaster.segment.levels import Levels
from forecaster.segment.rhythm import Rhythm
from forecaster.segment.sizes import RunSize

_WS_PER_WH = 3_600_000.0
"""Watt-milliseconds in a watt-hour."""

_COARSE_GAIN = 0.04


class Draft(msgspec.Struct, frozen=True, array_like=True):
    """A run as one source saw it, before supply and site are added.

    energy_wh : float | None — None for yes/no sources
    pinned : int — running samples at the pack's continuous rating
    gapped : bool — an edge fell into a gap
    """

    start_ms: int
    stop_ms: int
    energy_wh: float | None
    power_w: float | None
    peak_w: float | None
    samples: int
    start_censored: bool
    stop_censored: bool
    pinned: int = 0
    gapped: bool = False


class Tracker(msgspec.Struct):
    """The state of one source.

    metered_wh : float — energy since the last call of `take_energy` [Wh], other loads not included
    blind_ms : int — time since then in which nothing was known [ms]
    coarse : float — share, 0..1, of the newest runs too short for the sampling, or missed by it
    missed : bool — a run may have been missed since the newest reading, whatever the rhythm allows
    """

    rhythm: Rhythm
    levels: Levels
    yes_no: bool = False
    shared: bool = False
    pin_low_w: float = 1e12
    pin_high_w: float = 1e12
    on: bool = False
    last_w: float = 0.0
    open_ms: int = 0
    open_w_ms: float = 0.0
    last_on_ms: int = 0
    samples: int = 0
    sum_w: float = 0.0
    first_w: float = 0.0
    peak_w: float = 0.0
    pinned: int = 0
    start_censored: bool = False
    metered_w_ms: float = 0.0
    judged_ms: int = 0
    blind_ms: int = 0
    coarse: float = 0.0
    judged: int = 0
    size: RunSize = msgspec.field(default_factory=RunSize)
    last_start_ms: int | None = None
    last_stop_ms: int | None = None
    blind_from_ms: int | None = None
    blind_to_ms: int | None = None
    missed: bool = False

    def feed(self, at_ms: int, value: float, watts: float) -> Draft | None:
        """Take a reading newer than the last: its value, and the power it stands for [W]. Returns a run that ended.

        A copy of the last one is no second sample: it would make a measured run of one that was caught by chance.
        """
        rhythm = self.rhythm
        if rhythm.copied(at_ms, value):
            return None
        before = rhythm.last_ms
        interval = rhythm.heard(at_ms, value)
        levels = self.levels
        was_on = self.on
        ended: Draft | None = None
        gap = interval is None or interval > rhythm.gap_ms or self.missed
        self.missed = False
        if interval is not None and before is not None:
            if gap:
                self.blind_ms += interval
                self.blind_from_ms, self.blind_to_ms = before, at_ms
                if was_on:
                    ended = self._end(self.last_on_ms, censored=True)
                    was_on = self.on = False
            else:
                held = self.last_w
                if self.shared:
                    held = held - levels.idle_w if was_on else 0.0
                if held > 0.0:
                    self.metered_w_ms += held * interval
                    if was_on:
                        self.open_w_ms += held * interval
        level = value if self.yes_no else watts
        if level >= (levels.off_w if was_on else levels.on_w):
            if was_on:
                self._more(at_ms, watts)
            else:
                self._begin(at_ms, watts, interval, gap)
        elif was_on:
            self.on = False
            if interval is not None:
                rhythm.edge(interval)
                ended = self._end(at_ms if rhythm.on_change else at_ms - interval // 2, censored=False)
        else:
            if interval is not None and not gap:
                rhythm.steady(interval)
            if not self.yes_no:
                levels.idle(watts)
        self.last_w = watts
        return ended

    def take_energy(self) -> tuple[float, int]:
        """Energy [Wh] and blind time [ms] since the last call."""
        taken = self.metered_w_ms / _WS_PER_WH, self.blind_ms
        self.metered_w_ms, self.blind_ms = 0.0, 0
        return taken

    def lasts(self, now_ms: int) -> tuple[int, float]:
        """Until when the run that lasts is known to, UTC milliseconds, and its energy so far [Wh]; 0 where none does.

        The value of a source that reports on change holds until the next; another is known up to its newest sample.
        """
        last_ms = self.rhythm.last_ms
        if not self.on or last_ms is None:
            return now_ms, 0.0
        until_ms = max(now_ms, last_ms) if self.rhythm.on_change else last_ms
        held_w = self.last_w - self.levels.idle_w if self.shared else self.last_w
        return until_ms, (self.open_w_ms + held_w * (until_ms - last_ms)) / _WS_PER_WH

    def told(self, seen: bool) -> None:
        """Record whether a run was seen well: moves the share of coarse ones."""
        self.judged += 1
        self.coarse += max(_COARSE_GAIN, 1.0 / (self.judged + 1.0)) * ((0.0 if seen else 1.0) - self.coarse)

    def blind_over(self, start_ms: int, stop_ms: int) -> bool:
        """Whether the newest gap of this source overlaps a span, or the source was not heard yet."""
        if self.blind_from_ms is None or self.blind_to_ms is None:
            return False
        return self.blind_from_ms < stop_ms and start_ms < self.blind_to_ms

    def saw(self, start_ms: int, stop_ms: int) -> bool:
        """Whether this source saw a run within a span, give or take its own interval."""
        slack = self.rhythm.typical_ms() or 0
        if self.on and self.open_ms <= stop_ms + slack:
            return True
        if self.last_start_ms is None or self.last_stop_ms is None:
            return False
        return self.last_start_ms <= stop_ms + slack and self.last_stop_ms >= start_ms - slack

    def _begin(self, at_ms: int, watts: float, interval: int | None, gap: bool) -> None:
        self.on = True
        shift = 0
        if interval is not None and not gap:
            self.rhythm.edge(interval)
            if not self.rhythm.on_change:
                shift = interval // 2
        self.open_ms = at_ms - shift
        self.open_w_ms = self.sum_w = self.peak_w = 0.0
        self.samples = self.pinned = 0
        self.start_censored = gap
        self.first_w = watts
        self._sample(at_ms, watts)

    def _more(self, at_ms: int, watts: float) -> None:
        self._sample(at_ms, watts)
        if not self.yes_no:
            self.levels.running(watts)

    def _sample(self, at_ms: int, watts: float) -> None:
        self.last_on_ms = at_ms
        self.samples += 1
        self.sum_w += watts
        if watts > self.peak_w:
            self.peak_w = watts
        if self.pin_low_w <= watts <= self.pin_high_w:
            self.pinned += 1

    def _end(self, stop_ms: int, *, censored: bool) -> Draft:
        samples = self.samples
        # a report on change shows both edges, so that one report and its end are a measured run
        seen = samples + 1 if self.rhythm.on_change and not censored else samples
        if not censored:
            self.told(seen >= 2)
        if samples == 1 and not self.yes_no and not censored:
            self.levels.running(self.first_w)
        mean = (self.sum_w - self.first_w) / (samples - 1) if samples >= 3 else self.sum_w / samples
        if self.shared:
            mean = max(mean - self.levels.idle_w, 0.0)
        draft = Draft(
            start_ms=self.open_ms,
            stop_ms=max(stop_ms, self.open_ms),
            energy_wh=None if self.yes_no else self.open_w_ms / _WS_PER_WH,
            power_w=None if self.yes_no else mean,
            peak_w=None if self.yes_no else self.peak_w,
            samples=seen,
            start_censored=self.start_censored or seen < 2,
            stop_censored=censored or seen < 2,
            pinned=self.pinned,
            gapped=censored or self.start_censored,
        )
        self.last_start_ms, self.last_stop_ms = draft.start_ms, draft.stop_ms
        return draft
