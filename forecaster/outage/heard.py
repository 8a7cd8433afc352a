"""How completely a quantity was heard over a span, and its integral: one pass over the readings, piece by piece."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from forecaster.domain.ports import ReadingStore
from forecaster.domain.quantities import SPECS, Kind, Quantity
from forecaster.domain.readings import SeriesPoint
from forecaster.domain.runs import Gap
from forecaster.domain.site import Channel
from forecaster.domain.times import DAY_MS, HOUR_MS, MINUTE_MS

PIECE_MS = 6 * HOUR_MS
"""Readings fetched at a time cover so much."""

FINE_MS = 3 * DAY_MS
"""Longer spans are read as means of minutes, so that weeks are told in moments."""

USUAL_SILENCE_MS = 15 * MINUTE_MS
"""A measured value is held no longer than this where its channel names no longest silence (common practice)."""

Span = tuple[int, int]
"""From, to in UTC milliseconds."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What was heard of one quantity over a span.

    subject : str — the load or the pack that it is of, "" for the house
    count : int — readings in the span
    gaps : tuple[Span, ...] — where it was not heard, oldest first, apart from each other
    share : float | None — of the span in which it was heard, 0..1; None: it speaks only now and then, and did not
    total : float — sum of the values, for amounts since the last report
    value_h : float | None — integral over the time that was heard [unit·h]; None where nothing was
    """

    quantity: Quantity
    subject: str
    count: int
    gaps: tuple[Span, ...]
    share: float | None
    total: float
    value_h: float | None


def heard(store: ReadingStore, gaps: Iterable[Gap], site: str, channel: Channel, start_ms: int, end_ms: int) -> Heard:
    """What was heard of a channel's quantity in [start_ms, end_ms); the span must not be empty.

    gaps : Iterable[Gap] — of the site, as the ledger has them of the span

    A reading holds until the next one, but not across a gap: a silence that the engine booked, or one longer than
    the channel allows. What speaks only now and then (yes or no, rain) is silent by its nature: there the booked gaps
    alone count.
    """
    limit_ms = silence_of(channel)
    spans = [(gap.start_ms, gap.stop_ms) for gap in gaps if gap.quantity is channel.quantity and not channel.of]
    booked = joined(spans, start_ms, end_ms)
    silent: list[Span] = []
    count, total, value_ms = 0, 0.0, 0.0
    for from_ms, to_ms, point in holds(_points(store, site, channel, start_ms, end_ms, limit_ms), start_ms, end_ms):
        if point is not None and point.time_ms >= start_ms:
            count, total = count + point.count, total + point.count * point.mean
        begin_ms = max(from_ms, start_ms)
        if to_ms <= begin_ms:
            continue
        if limit_ms is not None and (point is None or to_ms - from_ms > limit_ms):
            silent.append((begin_ms, to_ms))
        elif point is not None:
            value_ms += point.mean * (to_ms - begin_ms - overlap(begin_ms, to_ms, booked))
    found = joined([*booked, *silent], start_ms, end_ms)
    share = 1.0 - sum(stop_ms - begin_ms for begin_ms, stop_ms in found) / (end_ms - start_ms)
    known = share > 0.0 and (count > 0 or limit_ms is not None)
    return Heard(
        channel.quantity, channel.of, count, found, share if known or found else None, total,
        value_ms / HOUR_MS if known else None,
    )  # fmt: skip


def silence_of(channel: Channel) -> int | None:
    """The longest silence of a channel that is no gap yet [ms]; None where silence says nothing."""
    if channel.max_silence_s is not None:
        return round(channel.max_silence_s * 1000)
    return USUAL_SILENCE_MS if SPECS[channel.quantity].kind in (Kind.GAUGE, Kind.COUNTER) else None


def holds(points: Iterable[SeriesPoint], start_ms: int, end_ms: int) -> Iterator[tuple[int, int, SeriesPoint | None]]:
    """(from, to, reading) of each reading until the next one or the end; first what lies before them all, with None."""
    before: SeriesPoint | None = None
    since_ms = start_ms
    for point in points:
        if before is not None or point.time_ms > start_ms:
            yield since_ms, point.time_ms, before
        before, since_ms = point, point.time_ms
    yield since_ms, end_ms, before


def joined(spans: Iterable[Span], start_ms: int, end_ms: int) -> tuple[Span, ...]:
    """Spans cut to [start_ms, end_ms), oldest first; those that touch become one."""
    found: list[Span] = []
    for begin_ms, stop_ms in sorted((max(begin, start_ms), min(stop, end_ms)) for begin, stop in spans):
        if begin_ms >= stop_ms:
            continue
        if found and begin_ms <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], stop_ms))
        else:
            found.append((begin_ms, stop_ms))
    return tuple(found)


def overlap(start_ms: int, end_ms: int, spans: Sequence[Span]) -> int:
    """How much of [start_ms, end_ms) lies in spans that are apart from each other [ms]."""
    return sum(max(0, min(stop_ms, end_ms) - max(begin_ms, start_ms)) for begin_ms, stop_ms in spans)


def _points(
    store: ReadingStore, site: str, channel: Channel, start_ms: int, end_ms: int, limit_ms: int | None
) -> Iterator[SeriesPoint]:
    """The readings of a span, and those shortly before it, of which the last may hold into it."""
    fine = end_ms - start_ms <= FINE_MS
    for from_ms in range(start_ms - (limit_ms or USUAL_SILENCE_MS), end_ms, PIECE_MS):
        to_ms = min(from_ms + PIECE_MS, end_ms)
        buckets = None if fine else max(1, (to_ms - from_ms) // MINUTE_MS)
        yield from store.series(site, channel.quantity, from_ms, to_ms, buckets, channel.of)
