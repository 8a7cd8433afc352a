"""The site's normal, learnt from its runs: their length, power, rate and regularity."""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Run, Supply
from forecaster.domain.status import MOST_SHORT, Spread
from forecaster.domain.times import HOUR_MS
from forecaster.segment.hearing import Hearing

_KEPT_RUNS = 120
_RECENT = 24
_NEWEST = 9
_NEWEST_HOURS = 24
_KEPT_HOURS = 24 * 14
_LATELY_HOURS = 12
_USUAL_FROM, _USUAL_GAIN = 40, 1.0 / 1500.0
_FLOW_RUNS, _SURE = 12, 4.0
_MOST_SAMPLE, _LEAST_REST = 1.5, 2.5
_EVEN_FROM = 8
_LOST_FROM, _BACK_TO, _LOST_GAIN = 1.6, 0.65, 1.0 / 1500.0


def spread_of(values: Sequence[float]) -> Spread | None:
    """Median, 5 and 95 % points (linear between order statistics, numpy's default) and count; None of nothing."""
    if not values:
        return None
    ordered = sorted(values)
    return Spread(_quantile(ordered, 0.05), _quantile(ordered, 0.5), _quantile(ordered, 0.95), len(ordered))


def _quantile(ordered: Sequence[float], level: float) -> float:
    spot = level * (len(ordered) - 1)
    low = math.floor(spot)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (spot - low) * (ordered[high] - ordered[low])


def fading_mean(values: Sequence[float], half_life: float) -> float | None:
    """Mean with weights that halve every `half_life` values back from the newest; None of nothing."""
    if not values:
        return None
    keep = 0.5 ** (1.0 / half_life)
    weight, total, norm = 1.0, 0.0, 0.0
    for value in reversed(values):
        total += weight * value
        norm += weight
        weight *= keep
    return total / norm


class Normals(msgspec.Struct):
    """Lists of the newest runs, and counts by the hour.

    run_s, run_w, run_wh — of measured runs, oldest first
    dry_run_s — how long each would have lasted without inflow meanwhile, because runs are longer in a storm [s]
    dry_usual_s — the slow mean of those [s]
    starts_ms — starts within the last hours
    lost_share — share, 0..1, of the newest thousands of intervals that hid a run, as when its message is lost
    untraced_share — the same of those in which nothing else was missing of what the source should have reported
    whole — whether nothing was missing in the newest interval
    log_ratios — logarithms of successive intervals between starts, one over the one before
    """

    run_s: list[float] = msgspec.field(default_factory=list)
    run_w: list[float] = msgspec.field(default_factory=list)
    run_wh: list[float] = msgspec.field(default_factory=list)
    dry_run_s: list[float] = msgspec.field(default_factory=list)
    dry_usual_s: float | None = None
    starts_ms: list[int] = msgspec.field(default_factory=list)
    intervals_s: list[float] = msgspec.field(default_factory=list)
    lost_share: float = 0.0
    untraced_share: float = 0.0
    whole: bool = False
    log_ratios: list[float] = msgspec.field(default_factory=list)
    hourly: list[float] = msgspec.field(default_factory=list)
    hour: int | None = None
    hour_count: int = 0
    hour_whole: bool = False
    last_run: Run | None = None
    first_on_pack: Run | None = None
    await_first_since_ms: int | None = None
    count: int = 0

    def run(self, run: Run, *, after_gap: bool, hearing: Hearing) -> None:
        """Take a run that is certain.

        after_gap : bool — whether runs may have been missed before it
        hearing : Hearing — how its source tells of runs. Where usual runs are much shorter than its samples, one that
            is seen to last may be several, and its length tells nothing of the flow, nor does it where the pump is seen
            to rest for a sample or two; where more than MOST_SHORT are caught with one sample, the lengths that are
            measured look shorter in a storm.
        """
        self.count += 1
        since = self.await_first_since_ms
        if since is not None and run.supply is Supply.PACK and run.start_ms >= since - 1_000:
            self.first_on_pack, self.await_first_since_ms = run, None
        interval_s = self._interval(run, hearing.whole_ms, after_gap=after_gap)
        sample_s = hearing.sample_s
        fine = hearing.short_share <= MOST_SHORT and sample_s <= _MOST_SAMPLE * (self.dry_usual_s or sample_s)
        if run.measured and fine and interval_s is not None and interval_s - run.run_s >= _LEAST_REST * sample_s:
            self._dry(run.run_s * max(1.0 - run.run_s / interval_s, 0.0))
        self.last_run = run
        self.starts_ms.append(run.start_ms)
        if len(self.starts_ms) > 16 and self.starts_ms[0] < run.start_ms - 2 * HOUR_MS:
            edge = run.start_ms - 2 * HOUR_MS
            self.starts_ms = [start for start in self.starts_ms if start >= edge]
        self._count(run.start_ms, after_gap=after_gap)
        if run.measured:
            _push(self.run_s, run.run_s, _KEPT_RUNS)
        if run.energy_wh is not None and (run.measured or run.source is Quantity.PUMP_ENERGY):
            _push(self.run_wh, run.energy_wh, _KEPT_RUNS)
        if run.power_w is not None and not run.clipped and run.samples >= 1:
            _push(self.run_w, run.power_w, _KEPT_RUNS)

    def _dry(self, dry_s: float) -> None:
        """Take the length that a run would have had without inflow; the usual one follows over some thousand runs."""
        _push(self.dry_run_s, dry_s, _KEPT_RUNS)
        if self.dry_usual_s is not None:
            self.dry_usual_s += _USUAL_GAIN * (dry_s - self.dry_usual_s)
        elif len(self.dry_run_s) >= _USUAL_FROM:
            self.dry_usual_s = sum(self.dry_run_s) / len(self.dry_run_s)

    def flow_share(self) -> float | None:
        """Flow of the newest runs over the usual one; 1 where they differ by no more than their scatter.

        Means, not medians: sampled every ten seconds, a run of 12 s reads 10 or 20 s, right only on average.
        """
        newest = self.dry_run_s[-_FLOW_RUNS:]
        if self.dry_usual_s is None or len(newest) < _FLOW_RUNS:
            return None
        now_s = sum(newest) / _FLOW_RUNS
        if now_s <= 0.0:
            return None
        scatter_s = math.sqrt(sum((one - now_s) ** 2 for one in newest) / (_FLOW_RUNS - 1) / _FLOW_RUNS)
        return 1.0 if abs(now_s - self.dry_usual_s) < _SURE * scatter_s else self.dry_usual_s / now_s

    def _interval(self, run: Run, whole_ms: int | None, *, after_gap: bool) -> float | None:
        """Keep the interval since the last start. Returns it [s]; None where it is not known."""
        last = self.last_run
        if last is None or after_gap:
            return None
        interval = (run.start_ms - last.start_ms) / 1000.0
        if interval <= 0.0:
            return None
        if len(self.intervals_s) > _NEWEST:
            lost = self._lost(interval)
            self.lost_share += _LOST_GAIN * (lost - self.lost_share)
            self.untraced_share += _LOST_GAIN * ((lost and self.whole) - self.untraced_share)
        self.whole = whole_ms is not None and whole_ms <= last.start_ms
        if self.intervals_s:
            _push(self.log_ratios, math.log(interval / self.intervals_s[-1]), 60)
        _push(self.intervals_s, interval, _KEPT_RUNS)
        return interval

    def _lost(self, interval_s: float) -> bool:
        """Whether the interval before this one hid a run: far longer than those before it, and than this one."""
        before_s, usual_s = self.intervals_s[-1], _newest_median(self.intervals_s[:-1])
        return usual_s is not None and before_s >= _LOST_FROM * usual_s and interval_s <= _BACK_TO * before_s

    def _count(self, start_ms: int, *, after_gap: bool) -> None:
        hour = start_ms // HOUR_MS
        if self.hour is None:
            self.hour = hour
        elif hour > self.hour:
            if self.hour_whole and not after_gap:
                _push(self.hourly, float(self.hour_count), _KEPT_HOURS)
                for _ in range(min(hour - self.hour - 1, 24)):
                    _push(self.hourly, 0.0, _KEPT_HOURS)
            self.hour, self.hour_count, self.hour_whole = hour, 0, not after_gap
        self.hour_count += 1

    def cycles_since(self, since_ms: int) -> int:
        """Starts at or after a time within the last two hours."""
        return sum(1 for start in self.starts_ms if start >= since_ms)

    @property
    def knows_intervals(self) -> bool:
        """Whether there were enough intervals to tell how evenly starts come."""
        return len(self.log_ratios) >= _EVEN_FROM

    @property
    def interval_cv(self) -> float:
        """Relative spread of the interval between starts, without slow changes; a wide guess before it is known.

        The logarithm of the ratio of two successive intervals has twice the variance of one.
        """
        if not self.knows_intervals:
            return 0.5
        ordered = sorted(abs(ratio) for ratio in self.log_ratios)
        typical = _quantile(ordered, 0.683) / math.sqrt(2.0)
        return min(max(typical, 0.05), 1.5)

    def older_hours(self) -> list[float]:
        """Starts by the hour without those of the last day, which may be the ones to judge; all where there are few."""
        return self.hourly[:-_NEWEST_HOURS] if len(self.hourly) > 2 * _NEWEST_HOURS else self.hourly

    def recent_interval_s(self) -> float | None:
        """Median of the newest intervals between starts [s]; None before there are enough."""
        return _newest_median(self.intervals_s)

    def recent_run_s(self) -> float | None:
        """Median length of the newest measured runs [s]; None before there are enough."""
        return _newest_median(self.run_s)

    def recent_dry_run_s(self) -> float | None:
        """The median length of the newest runs without inflow meanwhile [s]."""
        return _newest_median(self.dry_run_s)

    def lately_per_hour(self) -> float | None:
        """Mean starts an hour over the newest whole hours; None before there are enough."""
        newest = self.hourly[-_LATELY_HOURS:]
        return sum(newest) / _LATELY_HOURS if len(newest) == _LATELY_HOURS else None

    def usual_run_wh(self) -> float | None:
        """Recency-weighted mean energy of measured runs [Wh]."""
        return fading_mean(self.run_wh, _RECENT)


def _newest_median(values: Sequence[float]) -> float | None:
    newest = sorted(values[-_NEWEST:])
    return newest[len(newest) // 2] if len(newest) == _NEWEST else None


def _push(values: list[float], value: float, keep: int) -> None:
    values.append(value)
    if len(values) > keep:
        del values[0]
