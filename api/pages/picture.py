"""A picture of a measured quantity over a span: a band of extremes, a line of means or bars, and the outages."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import msgspec
from markupsafe import Markup

from api.pages.frame import Frame, Lane, ticks
from api.pages.strip import nice
from api.pages.svg import element, line, number, text
from forecaster.domain.times import HOUR_MS


@dataclass(frozen=True, slots=True)
class Dot:
    """One bucket: its span of time, extremes and mean, in the unit shown."""

    start_ms: int
    stop_ms: int
    low: float
    high: float
    mean: float


@dataclass(frozen=True, slots=True)
class Series:
    """One quantity in a picture. style : its CSS class, "first" or "second" (line and band) or "bars".

    flat : only the means are drawn and scaled; the extremes are told, and drawn apart
    """

    name: str
    style: str
    dots: Sequence[Dot]
    flat: bool = False

    def most(self) -> float:
        """The most that is drawn."""
        return max((dot.mean if self.flat else dot.high for dot in self.dots), default=0.0)


@dataclass(frozen=True, slots=True)
class PictureContents:
    """The contents of a picture. outages : spans on the pack; top : the scale reaches at least so far.

    scale : shown units in one stored unit, so that the scale ends on a round number of shown units
    from_nought : the foot of the scale is no 0 but a moment, said as any other
    """

    key: str
    title: str
    description: str
    start_ms: int
    end_ms: int
    zone: ZoneInfo
    series: Sequence[Series]
    outages: Sequence[tuple[int, int]]
    say: Callable[[float], str]
    clock: Callable[[datetime], str]
    day: Callable[[datetime], str]
    top: float = 0.0
    scale: float = 1.0
    from_nought: bool = False


@dataclass(frozen=True, slots=True)
class Sheet:
    """The layout of a picture. inside : the scale is drawn within it; merged : how many buckets are drawn as one."""

    name: str
    width: float
    height: float
    left: float
    most_ticks: int
    inside: bool = False
    merged: int = 1


WIDE = Sheet("wide", 960, 220, 86, 14)
NARROW = Sheet("tall", 336, 200, 2, 7, inside=True, merged=2)


def draw_picture(scene: PictureContents, sheet: Sheet) -> Markup:
    """A picture as one SVG element."""
    frame = Frame(scene.start_ms, scene.end_ms, sheet.left, sheet.width - 8)
    most = max([scene.top, *(series.most() for series in scene.series)])
    full = nice(most * scene.scale) / scene.scale or 1.0
    lane = Lane(0, full, sheet.height - 30, 16)
    key = f"{scene.key}-{sheet.name}"
    parts = [
        element("title", {"id": f"{key}-t"}, scene.title),
        element("desc", {"id": f"{key}-d"}, scene.description),
        *(_outage(frame, lane, start, stop) for start, stop in scene.outages),
        *_rules(frame, lane, full),
        *_clock(scene, frame, lane, sheet),
        *(_series(series, frame, lane, sheet.merged) for series in scene.series),
        *_scale(scene, lane, full, sheet),
    ]
    attributes: dict[str, str | float] = {
        "class": f"picture {sheet.name}",
        "viewBox": f"0 0 {sheet.width:g} {sheet.height:g}",
        "role": "img",
        "aria-labelledby": f"{key}-t {key}-d",
        "data-head": number(frame.head),
        "data-tail": number(frame.tail),
    }
    return element("svg", attributes, *parts)


def hover_values(scene: PictureContents, stamp: Callable[[int], str]) -> str:
    """What the script shows under the pointer: times, their words and each series' words, as JSON."""
    seen: dict[int, list[str]] = {}
    for series in scene.series:
        for dot in series.dots:
            spread = f"{scene.say(dot.low)} – {scene.say(dot.high)}"
            said = scene.say(dot.mean) if dot.low == dot.high or series.style == "bars" else spread
            seen.setdefault(dot.start_ms, []).append(f"{series.name} {said}")
    rows = [(at_ms, f"{stamp(at_ms)}: {', '.join(said)}") for at_ms, said in sorted(seen.items())]
    whole = {"start": scene.start_ms, "end": scene.end_ms, "rows": rows}
    return msgspec.json.encode(whole).decode()


def _outage(frame: Frame, lane: Lane, start_ms: int, stop_ms: int) -> Markup:
    box = frame.box(start_ms, stop_ms, lane.high_at, lane.low_at)
    box["width"] = max(box["width"], 2.0)
    return element("rect", {"class": "outage", **box})


def _rules(frame: Frame, lane: Lane, full: float) -> list[Markup]:
    parts: list[Markup] = []
    for value in (0.0, full / 2, full):
        across = lane.across(value)
        rule = line([(frame.head, across), (frame.tail, across)])
        parts.append(element("path", {"class": "base" if value == 0 else "grid", "d": rule}))
    return parts


def _scale(scene: PictureContents, lane: Lane, full: float, sheet: Sheet) -> list[Markup]:
    """The scale's values: beside the picture, or on a narrow one above their rules."""
    if sheet.inside:
        return [
            text((sheet.left, lane.across(value) - 3), scene.say(value), "tick over", "start")
            for value in (full / 2, full)
        ]
    return [
        text(
            (sheet.left - 8, lane.across(value) + 5),
            scene.say(value) if value or scene.from_nought else "0",
            "tick",
            "end",
        )
        for value in (0.0, full / 2, full)
    ]


def _clock(scene: PictureContents, frame: Frame, lane: Lane, sheet: Sheet) -> list[Markup]:
    long = scene.end_ms - scene.start_ms > 60 * HOUR_MS
    parts: list[Markup] = []
    for mark in ticks(scene.start_ms, scene.end_ms, scene.zone, sheet.most_ticks):
        at = frame.along(mark.at_ms)
        if not frame.head + 10 <= at <= frame.tail - 10:
            continue
        rule = line([(at, lane.high_at), (at, lane.low_at)])
        named = long or mark.local.hour == 0
        parts.append(element("path", {"class": "grid", "d": rule}))
        said = scene.day(mark.local) if named else scene.clock(mark.local)
        parts.append(text((at, lane.low_at + 20), said, "tick", "middle"))
    return parts


def _series(series: Series, frame: Frame, lane: Lane, merge: int) -> Markup:
    if series.style == "bars":
        return element("path", {"class": "bar", "d": "".join(_bar(dot, frame, lane) for dot in series.dots)})
    parts: list[Markup] = []
    for group in (merged(group, merge) for group in together(series.dots)):
        middle = [frame.at((d.start_ms + d.stop_ms) / 2, lane.across(d.mean)) for d in group]
        stops = [*(following.start_ms for following in group[1:]), group[-1].stop_ms]
        steps = list(zip(group, stops, strict=True))
        upper = [frame.at(at, lane.across(d.high)) for d, stop_ms in steps for at in (d.start_ms, stop_ms)]
        lower = [frame.at(at, lane.across(d.low)) for d, stop_ms in reversed(steps) for at in (stop_ms, d.start_ms)]
        if not series.flat:
            parts.append(element("path", {"class": f"band {series.style}", "d": line([*upper, *lower], closed=True)}))
        parts.append(element("path", {"class": f"mean {series.style}", "d": line(middle)}))
    return Markup().join(parts)


def _bar(dot: Dot, frame: Frame, lane: Lane) -> str:
    """Path data of one bar, half a pixel narrower than its span so that neighbours stay apart."""
    left, foot = frame.along(dot.start_ms), lane.low_at
    right = max(left + 1.0, frame.along(dot.stop_ms) - 0.5)
    return f"M{number(left)},{number(foot)}V{number(lane.across(dot.mean))}H{number(right)}V{number(foot)}Z"


def merged(group: Sequence[Dot], by: int) -> Sequence[Dot]:
    """Neighbouring buckets merged with their extremes, for a picture too narrow to show each."""
    if by == 1:
        return group
    found: list[Dot] = []
    for first in range(0, len(group), by):
        part = group[first : first + by]
        low, high = min(dot.low for dot in part), max(dot.high for dot in part)
        mean = sum(dot.mean for dot in part) / len(part)
        found.append(Dot(part[0].start_ms, part[-1].stop_ms, low, high, mean))
    return found


def together(dots: Sequence[Dot]) -> list[list[Dot]]:
    """Buckets grouped so that no line is drawn across a silence longer than three buckets."""
    groups: list[list[Dot]] = []
    for dot in dots:
        near = groups and dot.start_ms - groups[-1][-1].stop_ms <= 3 * max(1, dot.stop_ms - dot.start_ms)
        if near:
            groups[-1].append(dot)
        else:
            groups.append([dot])
    return groups
