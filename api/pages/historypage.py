"""History: draw, charge, cycles, inflow and rain over a chosen span, each with its table and its CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from datetime import datetime, time, timedelta
from functools import cache, partial

from api.pages.contexts import DataTable
from api.pages.facts import of_first
from api.pages.frame import local_time
from api.pages.historydata import Plot, TimeSpan, outages_within, plots, with_season
from api.pages.moments import asked_day, zone_words
from api.pages.picture import NARROW, WIDE, PictureContents, draw_picture, hover_values
from api.pages.ports import PagePorts
from api.pages.recordcontexts import History, HistoryPicture
from api.pages.sitepage import run_words
from forecaster.domain.errors import NotFound, UsageError
from forecaster.domain.runs import Run
from forecaster.domain.site import Site
from forecaster.engine.document import time_text
from forecaster.texts.catalogue import Said, Words
from forecaster.texts.wording import Wording

SPANS: dict[str, int] = {"day": 1, "week": 7, "month": 30, "year": 365}
TABLE_ROWS = 120
RUNS_SHOWN = 40


def chosen(site: Site, now_ms: int, name: str, until: str) -> TimeSpan:
    """The requested span: a number of local days that end with a local day, or now."""
    if name not in SPANS:
        raise UsageError(Said("usage.no_span", name=name), Said("usage.one_of", names=", ".join(SPANS)))
    zone = Wording.of(site).zone
    end_ms = now_ms
    if until:
        day = asked_day(until)
        midnight = datetime.combine(day + timedelta(days=1), time(), zone)
        end_ms = min(now_ms, round(midnight.timestamp() * 1000))
    start_day = local_time(end_ms, zone) - timedelta(days=SPANS[name])
    return TimeSpan(round(start_day.timestamp() * 1000), end_ms)


def history_page(ports: PagePorts, site: Site, words: Words, *, name: str = "day", until: str = "") -> History:
    """All pictures of a span."""
    now_ms = ports.clock.now_ms()
    span = chosen(site, now_ms, name, until)
    wording = Wording.of(site, words)
    within = outages_within(ports, site, span, now_ms)
    outages = [(o.start_ms, o.end_ms or now_ms) for o in within]
    clock = cache(partial(wording.clock, now_ms=now_ms))
    pictures = tuple(
        picture_of(with_season(plot, ports, site, span, words), site, span, outages, words, wording, clock)
        for plot in plots(ports, site, span, words)
    )
    runs = ports.ledger.runs(site.id, span.start_ms, span.end_ms, RUNS_SHOWN).runs
    return History(
        name=name,
        until=until or wording.local(span.end_ms).date().isoformat(),
        said=words(
            "history.said",
            start=wording.within(span.start_ms, now_ms),
            end=wording.within(span.end_ms, now_ms),
            zone=zone_words(span.end_ms, wording, words),
        ),
        note=of_first(site, words),
        choices=tuple((key, words(f"history.{key}")) for key in SPANS),
        pictures=pictures,
        outages=tuple((str(o.start_ms), wording.clock(o.start_ms, now_ms)) for o in within),
        runs=_runs_table(runs, words("history.runs"), wording, words, now_ms),
        second=_second(ports, site, span, wording, words),
    )


def _runs_table(runs: Sequence[Run], title: str, wording: Wording, words: Words, now_ms: int) -> DataTable:
    rows = tuple((wording.clock(run.start_ms, now_ms), run_words(run, wording, words)) for run in runs)
    return DataTable(title, (words("now.table_time"), words("history.run")), rows)


def _second(ports: PagePorts, site: Site, span: TimeSpan, wording: Wording, words: Words) -> DataTable | None:
    """The newest runs of a second pump; None where there is one pump only."""
    if site.second_pump is None:
        return None
    name = site.second_pump.id
    runs = ports.ledger.runs(site.id, span.start_ms, span.end_ms, RUNS_SHOWN, pump=name).runs
    title = words("health.part_of_pump", pump=name, part=words("history.runs"))
    return _runs_table(runs, title, wording, words, ports.clock.now_ms())


def picture_of(
    plot: Plot,
    site: Site,
    span: TimeSpan,
    outages: list[tuple[int, int]],
    words: Words,
    wording: Wording,
    clock: Callable[[int], str],
) -> HistoryPicture:
    """One picture with its table and the values shown under the pointer."""
    title = words(f"history.{plot.key}")
    start, end = clock(span.start_ms), clock(span.end_ms)
    scene = PictureContents(
        key=plot.key,
        title=f"{site.name}: {title}",
        description=words("history.picture", start=start, end=end, n=len(outages)),
        start_ms=span.start_ms,
        end_ms=span.end_ms,
        zone=wording.zone,
        series=plot.series,
        outages=outages,
        say=plot.say,
        clock=lambda local: wording.dated(local, "hour"),
        day=lambda local: wording.dated(local, "date"),
        top=plot.top,
        scale=plot.scale,
    )
    return HistoryPicture(
        key=plot.key,
        title=title,
        legend=tuple((series.name, series.style) for series in plot.series),
        wide=draw_picture(scene, WIDE),
        narrow=draw_picture(scene, NARROW),
        hover=hover_values(scene, clock),
        table=table_of(plot, title, words, clock),
        empty=plot.empty,
    )


def table_of(plot: Plot, title: str, words: Words, clock: Callable[[int], str]) -> DataTable:
    """The picture as a table; the newest rows where there are many."""
    head = [words("now.table_time")]
    rows: dict[int, list[str]] = {}
    for index, series in enumerate(plot.series):
        head += [words("history.low", name=series.name), words("history.high", name=series.name)]
        for dot in series.dots:
            row = rows.setdefault(dot.start_ms, [""] * (2 * len(plot.series)))
            row[2 * index : 2 * index + 2] = [plot.say(dot.low), plot.say(dot.high)]
    newest = sorted(rows.items(), reverse=True)[:TABLE_ROWS]
    return DataTable(title, tuple(head), tuple((clock(at_ms), *row) for at_ms, row in newest))


def history_csv(ports: PagePorts, site: Site, words: Words, key: str, *, name: str, until: str) -> str:
    """One picture's values as CSV, in stored units with the unit in the head; times are RFC 3339 in UTC."""
    span = chosen(site, ports.clock.now_ms(), name, until)
    if key == "runs":
        return runs_csv(ports, site, span)
    found = next((plot for plot in plots(ports, site, span, words) if plot.key == key), None)
    if found is None:
        raise NotFound(Said("usage.picture", key=key))
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(["start", "stop", "series", f"low_{found.unit}", f"high_{found.unit}", f"mean_{found.unit}"])
    for series in found.series:
        for dot in series.dots:
            values = (f"{value:.6g}" for value in (dot.low, dot.high, dot.mean))
            writer.writerow([time_text(dot.start_ms), time_text(dot.stop_ms), series.name, *values])
    return out.getvalue()


def runs_csv(ports: PagePorts, site: Site, span: TimeSpan) -> str:
    """Every run of the span as CSV (RFC 4180), oldest last."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(["start", "stop", "run_s", "measured", "energy_wh", "power_w", "peak_w", "supply", "source"])
    cursor: str | None = None
    while True:
        page = ports.ledger.runs(site.id, span.start_ms, span.end_ms, 5000, cursor)
        for run in page.runs:
            figures = ["" if v is None else f"{v:.6g}" for v in (run.energy_wh, run.power_w, run.peak_w)]
            edges = [time_text(run.start_ms), time_text(run.stop_ms), f"{run.run_s:.3f}", str(run.measured).lower()]
            writer.writerow([*edges, *figures, run.supply.value, run.source.value])
        cursor = page.cursor
        if cursor is None:
            return out.getvalue()
