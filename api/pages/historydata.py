"""The data of the history pictures: each quantity over a span, thinned without losing extremes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from api.pages.picture import Dot, Series
from api.pages.ports import PagePorts
from forecaster.domain.quantities import Quantity
from forecaster.domain.records import RunTotals
from forecaster.domain.runs import Outage
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.health.told import season_belief, storm_rate
from forecaster.pack.together import house_series
from forecaster.texts.catalogue import Words
from forecaster.texts.usunits import worded
from forecaster.texts.wording import Wording
from forecaster.water.by_runs import Step, hourly_depth, hourly_rate
from forecaster.water.seasonal import day_of

POINTS = 240


@dataclass(frozen=True, slots=True)
class Plot:
    """The content of one picture: key in the catalogue, series, wording of a value, unit in the CSV head."""

    key: str
    series: tuple[Series, ...]
    say: Callable[[float], str]
    unit: str
    top: float = 0.0
    scale: float = 1.0

    @property
    def empty(self) -> bool:
        """Whether nothing was heard in the span."""
        return not any(series.dots for series in self.series)


@dataclass(frozen=True, slots=True)
class TimeSpan:
    """A stretch of time; buckets are `bucket_ms` wide from its start."""

    start_ms: int
    end_ms: int
    points: int = POINTS

    @property
    def bucket_ms(self) -> int:
        """The width of a bucket, as stores and ledgers compute it [ms]."""
        return max(1, -(-(self.end_ms - self.start_ms) // self.points))


def plots(ports: PagePorts, site: Site, span: TimeSpan, words: Words) -> list[Plot]:
    """All pictures of a site that have a source, in the order of the page."""
    wording = Wording.of(site, words)
    counts = run_span(span)
    totals = ports.ledger.run_totals(site.id, counts.start_ms, counts.end_ms, counts.points)
    power = power_plot(ports, site, span, words, wording)
    found = [
        Plot("charge", series_of(ports, site, span, words, Quantity.PACK_CHARGE), wording.percent, "percent", 100.0),
        power,
        peaks_plot(power, wording),
        cycles_plot(totals, counts, words),
        lengths_plot(totals, counts, words, wording),
        inflow_plot(ports, site, totals, counts, words, wording),
        rain_plot(ports, site, span, words, wording),
    ]
    return [plot for plot in found if plot.series]


def run_span(span: TimeSpan) -> TimeSpan:
    """The span in buckets that are wide enough for runs: hours, or days for a long span."""
    width = HOUR_MS if span.end_ms - span.start_ms <= 8 * DAY_MS else DAY_MS
    return TimeSpan(span.start_ms, span.end_ms, max(1, (span.end_ms - span.start_ms) // width))


def series_of(
    ports: PagePorts, site: Site, span: TimeSpan, words: Words, quantity: Quantity, style: str = "first"
) -> tuple[Series, ...]:
    """One measured quantity as a series; none where no channel measures it."""
    if not site.has(quantity):
        return ()
    points = house_series(ports.store, site, quantity, span.start_ms, span.end_ms, span.points)
    dots = [Dot(p.time_ms, p.time_ms + span.bucket_ms, p.low, p.high, p.mean) for p in points]
    return (Series(words(f"quantity.{quantity.value}"), style, dots),)


def power_plot(ports: PagePorts, site: Site, span: TimeSpan, words: Words, wording: Wording) -> Plot:
    """Power out of the pack and into it; where the pack tells neither, the pump's own."""
    out = series_of(ports, site, span, words, Quantity.PACK_OUTPUT_POWER)
    taken = series_of(ports, site, span, words, Quantity.PACK_INPUT_POWER, "second")
    if not out and not taken:
        out = series_of(ports, site, span, words, Quantity.PUMP_POWER)
    return Plot("power", tuple(replace(one, flat=True) for one in (*out, *taken)), wording.watts, "W")


def peaks_plot(power: Plot, wording: Wording) -> Plot:
    """The greatest of each stretch, with the starts of the pump: apart, so that they drown no mean."""
    series = power.series[:1]
    dots = [Dot(dot.start_ms, dot.stop_ms, dot.high, dot.high, dot.high) for one in series for dot in one.dots]
    return Plot("peaks", tuple(Series(one.name, "bars", dots) for one in series), wording.watts, "W")


def run_dots(totals: Sequence[RunTotals], span: TimeSpan, value: Callable[[RunTotals], float | None]) -> list[Dot]:
    """Bars from totals of runs; buckets with an unknown value are left out."""
    dots: list[Dot] = []
    for total in totals:
        said = value(total)
        if said is not None:
            dots.append(Dot(total.start_ms, total.start_ms + span.bucket_ms, said, said, said))
    return dots


def cycles_plot(totals: Sequence[RunTotals], span: TimeSpan, words: Words) -> Plot:
    """Runs by the hour."""
    hours = span.bucket_ms / HOUR_MS
    dots = run_dots(totals, span, lambda total: total.count / hours)
    return Plot(
        "cycles",
        (Series(words("quantity.cycles"), "bars", dots),),
        lambda value: words.signs(f"{value:.3g}"),
        "per_hour",
    )


def lengths_plot(totals: Sequence[RunTotals], span: TimeSpan, words: Words, wording: Wording) -> Plot:
    """Lengths of runs: shortest, mean and longest."""
    width = span.bucket_ms
    dots = [Dot(t.start_ms, t.start_ms + width, t.shortest_s, t.longest_s, t.total_s / t.count) for t in totals]
    return Plot("lengths", (Series(words("quantity.run_s"), "first", dots),), wording.duration, "s")


def inflow_plot(
    ports: PagePorts, site: Site, totals: Sequence[RunTotals], span: TimeSpan, words: Words, wording: Wording
) -> Plot:
    """Water coming in, from drawdown and time off, or from the pump's rate and its time on."""
    forecast = ports.forecast(site.id)
    rate = forecast.water.pump_rate_l_per_min if forecast is not None else None
    volume_l, minutes = site.pit.drawdown_l, span.bucket_ms / 60_000.0

    def inflow(total: RunTotals) -> float | None:
        on_min = total.total_s / 60.0
        if volume_l is not None and on_min < minutes:
            return total.count * volume_l / (minutes - on_min)
        return None if rate is None else rate * on_min / minutes

    if volume_l is None and rate is None:
        return Plot("inflow", (), wording.flow, "l_per_min")
    series = Series(words("quantity.inflow"), "bars", run_dots(totals, span, inflow))
    return Plot("inflow", (series,), wording.flow, "l_per_min", scale=flow_scale(wording))


def with_season(plot: Plot, ports: PagePorts, site: Site, span: TimeSpan, words: Words) -> Plot:
    """The inflow of days with the band that the season lets expect, where the long record tells it."""
    days = run_span(span)
    if plot.key != "inflow" or plot.empty or days.bucket_ms < DAY_MS:
        return plot
    belief, rate = season_belief(ports.ledger, site.id), storm_rate(ports.ledger, site.id)
    if belief is None or rate is None:
        return plot
    starts = [days.start_ms + number * days.bucket_ms for number in range(days.points)]
    points = rate * belief.days_within(np.array([day_of(at_ms + days.bucket_ms // 2) for at_ms in starts]))
    dots = [
        Dot(at_ms, at_ms + days.bucket_ms, float(low), float(high), float(middle))
        for at_ms, low, middle, high in zip(starts, *points, strict=True)
    ]
    return replace(plot, series=(*plot.series, Series(words("season.band"), "second", dots)))


def rain_plot(ports: PagePorts, site: Site, span: TimeSpan, words: Words, wording: Wording) -> Plot:
    """Rain by the hour or by the day."""
    quantity = Quantity.RAIN_DEPTH if site.has(Quantity.RAIN_DEPTH) else Quantity.RAIN_RATE
    if not site.has(quantity):
        return Plot("rain", (), wording.rain, "mm")
    hours = max(1, (span.end_ms - span.start_ms) // HOUR_MS)
    points = house_series(ports.store, site, quantity, span.start_ms, span.end_ms, hours)
    steps = hourly_depth(points) if quantity is Quantity.RAIN_DEPTH else hourly_rate(points)
    if span.end_ms - span.start_ms > 8 * DAY_MS:
        steps = by_day(steps)
    dots = [Dot(start, stop, value, value, value) for start, stop, value in steps]
    return Plot("rain", (Series(words("quantity.rain"), "bars", dots),), wording.rain, "mm", scale=rain_scale(wording))


def by_day(steps: Sequence[Step]) -> list[Step]:
    """Hourly depths added up by the day of 24 hours (UTC)."""
    sums: dict[int, float] = {}
    for start, _, value in steps:
        day = start // DAY_MS * DAY_MS
        sums[day] = sums.get(day, 0.0) + value
    return [(day, day + DAY_MS, value) for day, value in sorted(sums.items())]


def outages_within(ports: PagePorts, site: Site, span: TimeSpan, now_ms: int) -> list[Outage]:
    """Outages that touch the span, oldest first."""
    found = ports.ledger.outages(site.id, 500)
    return sorted(
        (o for o in found if o.start_ms < span.end_ms and (o.end_ms or now_ms) > span.start_ms),
        key=lambda o: o.start_ms,
    )


def flow_scale(wording: Wording) -> float:
    """Shown units of flow in one L/min."""
    return worded("L/min", wording.units).factor


def rain_scale(wording: Wording) -> float:
    """Shown units of rain in one mm."""
    return worded("mm", wording.units).factor
