"""Draws the strip of time, lying or standing, from its data and its words."""

from __future__ import annotations

from markupsafe import Markup

from api.pages.frame import Lane, Tick, ticks
from api.pages.strip import Layout, Steps, StripData, StripWords, nice, runs_together
from api.pages.svg import Point, diamond, element, line, strokes, text
from forecaster.domain.forecast import chance_at

NAME_WIDTH = 92.0
"""Space that the name of a day or of the present takes along a lying strip."""
NEAR = 16.0
"""Along a standing strip, an hour closer than this to the present would be written over its name."""


def draw(data: StripData, words: StripWords, layout: Layout) -> Markup:
    """The strip as one SVG element."""
    pen = Pen(data, words, layout)
    key = f"strip-{layout.name}"
    parts: list[Markup] = [
        element("title", {"id": f"{key}-t"}, words.title),
        element("desc", {"id": f"{key}-d"}, words.description),
        pen.mains(),
        pen.grid(),
        pen.fan(),
        pen.charge(),
        pen.floor(),
        pen.water(),
        pen.runs(),
        pen.rain(),
        pen.clock(),
        pen.chances(),
        pen.events(),
        pen.present(),
    ]
    picture = element("g", {"role": "img", "aria-labelledby": f"{key}-t {key}-d"}, *[part for part in parts if part])
    return element(
        "svg",
        {
            "class": f"strip {layout.name}",
            "viewBox": f"0 0 {layout.width:g} {layout.height:g}",
            "data-start": str(data.start_ms),
            "data-end": str(data.end_ms),
            "data-head": str(layout.frame.head),
            "data-tail": str(layout.frame.tail),
        },
        picture,
        pen.marker(),
    )


class Pen:
    """Draws the parts of one strip."""

    def __init__(self, data: StripData, words: StripWords, layout: Layout) -> None:
        self.data, self.words, self.layout, self.frame = data, words, layout, layout.frame
        self.percent = Lane(0, 100, *layout.charge)
        most = max([0.0, *(value for _, _, value in data.water), *(value for _, value in data.water_ahead)])
        self.water_full = nice(most * data.water_scale) / data.water_scale
        self.rate = Lane(0, self.water_full, *layout.water)
        most_rain = max([1.0, *(value for _, _, value in (*data.rain, *data.rain_ahead))])
        self.fall = Lane(0, most_rain, *layout.rain)
        self.marks = ticks(data.start_ms, data.end_ms, data.zone, layout.most_ticks)

    def _rule(self, at_ms: int, low: float, high: float, classes: str) -> Markup:
        return element("path", {"class": classes, "d": line([self.frame.at(at_ms, low), self.frame.at(at_ms, high)])})

    def _long(self, across: float, classes: str, start_ms: int | None = None, end_ms: int | None = None) -> Markup:
        start = self.data.start_ms if start_ms is None else start_ms
        end = self.data.end_ms if end_ms is None else end_ms
        return element(
            "path", {"class": classes, "d": line([self.frame.at(start, across), self.frame.at(end, across)])}
        )

    def mains(self) -> Markup:
        """Tint and hatch where the mains carried the pump."""
        low, high = self.layout.charge
        return Markup().join(
            element("rect", {"class": "on-mains", **self.frame.box(start, end, low, high)})
            for start, end in self.data.mains
        )

    def grid(self) -> Markup:
        """The scale of the charge, and the water line."""
        parts: list[Markup] = []
        for percent in (0, 50, 100):
            across = self.percent.across(percent)
            parts.append(self._long(across, "waterline" if percent == 0 else "grid"))
            if self.frame.tall:
                parts.append(text((across, self.frame.head - 8), f"{percent}", "tick", "middle"))
            else:
                parts.append(text((self.frame.head - 8, across + 5), f"{percent}", "tick", "end"))
        return Markup().join(parts) + self._names()

    def _names(self) -> Markup:
        words, lay = self.words, self.layout
        if self.frame.tall:
            return (
                text((lay.charge[1], 18), words.charge, "name", "end")
                + text((lay.water[0] + 8, 18), words.water, "name", "end")
                + text((lay.width, 18), words.chance_name, "name", "end")
                + text((lay.width, self.frame.head - 8), words.chance_short, "tick", "end")
            )
        now = self.frame.along(self.data.now_ms)
        parts = [text((0, lay.charge[1] - 16), words.charge, "name"), text((0, lay.runs[1] + 2), words.runs, "name")]
        if self.data.water:
            parts.append(text((0, lay.water[0] + 18), words.water, "name"))
        if self.data.rain or self.data.rain_ahead:
            parts.append(text((0, lay.rain[0] + 14), words.rain, "name"))
        if self.data.survival:
            parts.append(text((now - 10, lay.chance + 10), words.chance, "name", "end"))
        return Markup().join(parts)

    def fan(self) -> Markup:
        """The expected charge: the area between the 10 and 90 % paths, and the median."""
        fan = [point for point in self.data.fan if point.at_ms <= self.data.end_ms]
        if len(fan) < 2:
            return Markup()
        upper = [self.frame.at(point.at_ms, self.percent.across(point.p90)) for point in fan]
        lower = [self.frame.at(point.at_ms, self.percent.across(point.p10)) for point in fan]
        middle = [self.frame.at(point.at_ms, self.percent.across(point.p50)) for point in fan]
        return element("path", {"class": "fan", "d": line([*upper, *reversed(lower)], closed=True)}) + element(
            "path", {"class": "middle", "d": line(middle)}
        )

    def charge(self) -> Markup:
        """The charge as measured; no line crosses a span in which it was not heard."""
        groups: list[list[Point]] = [[]]
        before_ms: int | None = None
        for at_ms, value in self.data.charge:
            if before_ms is not None and any(start < at_ms and stop > before_ms for start, stop in self.data.gaps):
                groups.append([])
            groups[-1].append(self.frame.at(at_ms, self.percent.across(value)))
            before_ms = at_ms
        lines = "".join(line(points) for points in groups if len(points) > 1)
        return element("path", {"class": "charge", "d": lines}) if lines else Markup()

    def floor(self) -> Markup:
        """The reserve floor, and the bracket around the times at which it may be reached."""
        across = self.percent.across(self.data.reserve_percent)
        parts = [self._long(across, "floor")]
        soonest, middle, latest = self.data.reserve_at
        if soonest is not None and self.frame.holds(soonest):
            end = self.data.end_ms if latest is None else min(latest, self.data.end_ms)
            parts.append(self._long(across, "bracket", soonest, end))
            edges = [soonest, *([latest] if latest is not None and self.frame.holds(latest) else [])]
            parts.extend(self._rule(at, across - 6, across + 6, "bracket") for at in edges)
        if middle is not None and self.frame.holds(middle):
            x, y = self.frame.at(middle, across)
            parts.append(element("circle", {"class": "bracket dot", "cx": x, "cy": y, "r": 5}))
        start = self.frame.at(self.data.start_ms, across)
        if self.frame.tall:
            parts.append(text((start[0] + 4, start[1] + 14), self.words.reserve, "note"))
        else:
            parts.append(text((start[0] + 6, start[1] - 6), self.words.reserve, "note"))
        return Markup().join(parts)

    def water(self) -> Markup:
        """The inflow, drawn downwards from the water line; dashed where it is expected."""
        parts = [
            element("path", {"class": "inflow", "d": line(self._steps(group, self.rate), closed=True)})
            for group in runs_together(self.data.water)
        ]
        if self.water_full > 0:
            across = self.rate.across(self.water_full)
            said = self.words.rate(self.water_full)
            if self.frame.tall:
                parts.append(text((self.layout.water[0] + 8, self.frame.head - 8), said, "tick", "end"))
            else:
                parts.append(self._long(across, "grid"))
                parts.append(text((0, across + 4), said, "tick"))
        ahead = [self.frame.at(at, self.rate.across(value)) for at, value in self.data.water_ahead]
        if len(ahead) > 1:
            parts.append(element("path", {"class": "inflow-ahead", "d": line(ahead)}))
        return Markup().join(parts)

    def _steps(self, group: Steps, lane: Lane) -> list[Point]:
        outline = [self.frame.at(group[0][0], lane.low_at)]
        for start, stop, value in group:
            outline += [self.frame.at(start, lane.across(value)), self.frame.at(stop, lane.across(value))]
        return [*outline, self.frame.at(group[-1][1], lane.low_at)]

    def runs(self) -> Markup:
        """Each run as a stroke; runs closer than half a pixel share a stroke."""
        near, far = self.layout.runs
        seen = sorted({round(self.frame.along(start) * 2) / 2 for start, _ in self.data.runs})
        pairs: list[tuple[Point, Point]] = [
            ((near, at), (far, at)) if self.frame.tall else ((at, near), (at, far)) for at in seen
        ]
        return element("path", {"class": "run", "d": strokes(pairs)}) if pairs else Markup()

    def rain(self) -> Markup:
        """Rain as bars from the far edge: filled where it fell, outlined where it is expected."""
        bars = [
            element("rect", {"class": kind, **self.frame.box(start, stop, self.fall.low_at, self.fall.across(value))})
            for kind, steps in (("rain", self.data.rain), ("rain-ahead", self.data.rain_ahead))
            for start, stop, value in steps
            if value > 0
        ]
        return Markup().join(bars)

    def clock(self) -> Markup:
        """The hours in the site's zone, with the name of each new day."""
        parts: list[Markup] = []
        for mark in self.marks:
            low, high = self.layout.charge[1], self.layout.rain[1]
            parts.append(self._rule(mark.at_ms, low, high, "day" if mark.local.hour == 0 else "hour"))
            parts.extend(self._clock_labels(mark))
        return Markup().join(parts)

    def _clock_labels(self, mark: Tick) -> list[Markup]:
        at = self.frame.along(mark.at_ms)
        clock = self.words.clock(mark.local)
        named = mark.local.hour == 0
        if self.frame.tall:
            if abs(at + 10.0 - self.frame.along(self.data.now_ms)) < NEAR:
                return []
            said = self.words.short_day(mark.local) if named else clock
            return [text((self.layout.hours, at + 5), said, "day-name" if named else "tick")]
        labels = [text((at, self.layout.hours), clock, "tick", "middle")]
        if named:
            before_now = 0.0 < self.frame.along(self.data.now_ms) - at < NAME_WIDTH
            place, anchor = (at - 6, "end") if before_now else (at + 6, "start")
            labels.append(text((place, self.layout.charge[1] - 4), self.words.day(mark.local), "day-name", anchor))
        return labels

    def chances(self) -> Markup:
        """The chances in 100: numerals at the ticks, and a line that thins out as they fall."""
        ahead = self.data.survival
        if len(ahead) < 2:
            return Markup()
        ink, full = self.layout.ink, 10.0
        upper = [self.frame.at(p.at_ms, ink - full * p.probability) for p in ahead]
        lower = [self.frame.at(p.at_ms, ink + full * p.probability) for p in reversed(ahead)]
        parts = [element("path", {"class": "ink", "d": line([*upper, *lower], closed=True)})]
        for mark in self.marks:
            chance = chance_at(ahead, mark.at_ms)
            if mark.at_ms < self.data.now_ms or chance is None:
                continue
            said = self.words.hundred(chance)
            at = self.frame.at(mark.at_ms, self.layout.chance)
            place = (at[0], at[1] + 5) if self.frame.tall else at
            parts.append(text(place, said, "chance", "end" if self.frame.tall else "middle"))
        return Markup().join(parts)

    def events(self) -> Markup:
        """Named moments, such as the loss of mains."""
        parts: list[Markup] = []
        low, high = self.layout.charge
        for at_ms, said in self.data.events:
            parts.append(self._rule(at_ms, low, high, "event"))
            x, y = self.frame.at(at_ms, high)
            place = (self.layout.charge[0] + 8, y - 5) if self.frame.tall else (x - 6, y + 18)
            parts.append(text(place, said, "event-name", "start" if self.frame.tall else "end"))
        return Markup().join(parts)

    def present(self) -> Markup:
        """The line of the present moment; nothing where the strip shows the past alone."""
        if not self.frame.holds(self.data.now_ms):
            return Markup()
        edge = self.layout.ink + 9 if not self.frame.tall else self.layout.charge[1] + 8
        start = self.layout.charge[1] - 16 if not self.frame.tall else 0
        x, y = self.frame.at(self.data.now_ms, self.layout.charge[1])
        if self.frame.tall:
            label = text((self.layout.hours, y - 5), self.words.now, "now-name")
        else:
            soon = any(m.local.hour == 0 and 0.0 <= self.frame.along(m.at_ms) - x < NAME_WIDTH for m in self.marks)
            place, anchor = (x - 6, "end") if soon else (x + 6, "start")
            label = text((place, self.layout.charge[1] - 4), self.words.now, "now-name", anchor)
        return self._rule(self.data.now_ms, start, edge, "now") + label

    def marker(self) -> Markup:
        """The movable marker; the handle is a slider for the keyboard once the script has come."""
        if self.data.marker is None:
            return Markup()
        marker = self.data.marker
        along = self.frame.along(marker.at_ms)
        if self.frame.tall:
            lay = self.layout
            rule = strokes([((lay.rain[1], 0), (lay.charge[1] + 4, 0)), ((lay.ink - 12, 0), (lay.width, 0))])
            labels = text((self.layout.charge[1], -13), marker.name, "mark-name", "end") + text(
                (self.layout.charge[1], 20), marker.says, "mark-says", "end"
            )
            handle = (self.layout.charge[0], 0.0)
            move = f"translate(0 {along:.1f})"
        else:
            lay = self.layout
            rule = strokes([((0, lay.charge[1]), (0, lay.rain[1] + 6)), ((0, lay.ink - 12), (0, lay.ink + 10))])
            flip = along > self.layout.width * 0.72
            side, anchor = (-10, "end") if flip else (10, "start")
            labels = text((side, self.layout.charge[1] + 40), marker.name, "mark-name", anchor) + text(
                (side, self.layout.charge[1] + 64), marker.says, "mark-says", anchor
            )
            handle = (0.0, self.layout.charge[0])
            move = f"translate({along:.1f} 0)"
        grip = element("path", {"class": "grip", "d": diamond(handle, 9)})
        target = element("circle", {"class": "target", "cx": handle[0], "cy": handle[1], "r": 24})
        return element(
            "g",
            {"class": "marker", "transform": move, "aria-label": self.words.slider},
            element("path", {"class": "mark", "d": rule}),
            labels,
            target,
            grip,
        )
