"""The daily table: each calendar day of a site, added up once it is over, from its runs and readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from forecaster.domain.longrecord import Day
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.quantities import RUN_SOURCES, Quantity
from forecaster.domain.runs import Gap, Outage, Run
from forecaster.domain.site import Pit, Site
from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.maths.arrays import Array
from forecaster.pack.together import house_series
from forecaster.record.cycles import cycle_facts
from forecaster.record.frames import runs_frame
from forecaster.record.reader import Record

ANEW = 2
"""Days that are added up once more each time: readings may come late."""

AT_ONCE = 0.2
"""A restart within this share of the day's median wait is "at once"."""

POINTS = 288
"""Buckets a day in which gauges are read: five minutes each."""

LATE_MS = 400 * DAY_MS
"""A silent day of the table is added up again where it has been heard after all, up to this age [ms]."""

BACK_MS = 3 * DAY_MS
"""How far before a day the run before its first is looked for [ms]."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """A calendar day in a site's zone: ISO date, and its bounds [UTC ms]."""

    day: str
    start_ms: int
    end_ms: int


def bounds(timezone: str, start_ms: int, end_ms: int) -> list[Bounds]:
    """The whole calendar days of a zone from the one that holds start_ms to the last that is over by end_ms.

    A day has 23 or 25 hours where the clocks change.
    """
    first = pd.Timestamp(start_ms, unit="ms", tz=timezone).normalize()
    last = pd.Timestamp(end_ms, unit="ms", tz=timezone).normalize()
    edges = pd.date_range(first, last, freq="D")
    at = [int(edge.value // 1_000_000) for edge in edges]
    return [
        Bounds(edge.date().isoformat(), begins, ends)
        for edge, begins, ends in zip(edges[:-1], at[:-1], at[1:], strict=True)
    ]


def fresh_days(site: Site, store: ReadingStore, ledger: Ledger, now_ms: int) -> list[Day]:
    """The days that are over by now_ms [UTC ms] and not yet in the table, and the ANEW newest of the table once more.

    Errors: those of the stores.
    """
    record = Record(site, store, ledger)
    newest = ledger.newest_day(site.id)
    since = record.first_ms(now_ms) if newest is None else newest - (ANEW - 1) * DAY_MS
    if since is None:
        return []
    return _added_up(record, store, ledger, bounds(site.timezone, since, now_ms))


def late_days(site: Site, store: ReadingStore, ledger: Ledger, newest_ms: int) -> list[Day]:
    """Days that the table has as silent and that have been heard since, with their neighbours, added up once more.

    A device that keeps its readings while nobody hears it may bring them weeks later. Errors: those of the stores.
    newest_ms : int — when the newest kept day began [UTC ms]
    """
    record = Record(site, store, ledger)
    late: set[Bounds] = set()
    kept: dict[tuple[str, str], Day] = {}
    for pump in record.pumps:
        table = ledger.days(site.id, newest_ms - LATE_MS, newest_ms + 1, pump)
        kept |= {(pump, day.day): day for day in table}
        for at, day in enumerate(table):
            if day.heard_s == 0.0 and _heard_after_all(store, ledger, day):
                late |= {Bounds(one.day, one.start_ms, one.end_ms) for one in table[max(at - 1, 0) : at + 2]}
    found = _added_up(record, store, ledger, sorted(late, key=lambda one: one.start_ms))
    return [day for day in found if _tells_more(day, kept.get((day.pump, day.day)))]


def _tells_more(day: Day, kept: Day | None) -> bool:
    """Whether a day tells more than its kept version, whose readings may have been deleted by age since."""
    return kept is None or (day.heard_s, day.runs) > (kept.heard_s, kept.runs)


def _heard_after_all(store: ReadingStore, ledger: Ledger, day: Day) -> bool:
    """Whether readings of a silent day's runs are there that its gaps leave room for."""
    if day.source is None:
        return False
    source = Quantity(day.source)
    if not store.series(day.site, source, day.start_ms, day.end_ms, 1, day.pump):
        return False
    gaps = ledger.gaps(day.site, day.start_ms, day.end_ms, day.pump)
    return _silent_ms(gaps, source, day.start_ms, day.end_ms) < day.end_ms - day.start_ms


def _added_up(record: Record, store: ReadingStore, ledger: Ledger, whole: Sequence[Bounds]) -> list[Day]:
    """Some days of each pump."""
    outages = ledger.outages(record.site.id, limit=100_000) if whole else []
    found = [add_up(record, store, ledger, outages, one) for one in whole]
    if record.site.second_pump is not None:
        found += [_pump_day(record, store, ledger, record.site.second_pump.id, one) for one in whole]
    return found


def add_up(record: Record, store: ReadingStore, ledger: Ledger, outages: Sequence[Outage], of: Bounds) -> Day:
    """Add up one day from what is stored of it; outages : all that may overlap it. Errors: those of the stores."""
    site = record.site
    day = _pump_day(record, store, ledger, "", of)
    runs = [] if day.runs == 0 else list(record.each_run(of.start_ms, of.end_ms))
    return replace(day, **_weather(store, site, of), **_pack_facts(store, site, runs, outages, of))


def _pump_day(record: Record, store: ReadingStore, ledger: Ledger, pump: str, of: Bounds) -> Day:
    """One day of one pump, without weather and pack; pump : "" for the first."""
    site = record.site if not pump else replace(record.site, pit=Pit())  # at its float, another drawdown
    runs = list(record.each_run(of.start_ms - BACK_MS, of.end_ms, pump))
    source = _source(site, [run for run in runs if run.start_ms >= of.start_ms], pump)
    gaps = ledger.gaps(site.id, of.start_ms - BACK_MS, of.end_ms, pump)
    apart = [*(gap for gap in gaps if gap.quantity is source), *_beside(record, pump, runs, of)]
    return Day(
        site=site.id, day=of.day, start_ms=of.start_ms, end_ms=of.end_ms, pump=pump,
        **_heard(store, site, source, gaps, of, pump),
        source=None if source is None else source.value,
        **_run_facts(site, runs, apart, of),
    )  # fmt: skip


def _beside(record: Record, pump: str, runs: Sequence[Run], of: Bounds) -> list[Gap]:
    """The other pump's runs, as spans that no cycle of this one may hold: part of the water was not its own.

    runs : those of this one; a span that begins during one of them begins before it
    """
    starts, stops = (np.array([getattr(run, name) for run in runs]) for name in ("start_ms", "stop_ms"))
    found = []
    for other in (name for name in record.pumps if name != pump):
        for run in record.each_run(of.start_ms - BACK_MS, of.end_ms, other):
            at = int(np.searchsorted(stops, run.start_ms, side="right"))
            during = at < starts.size and starts[at] < run.stop_ms
            start_ms = min(run.start_ms, int(starts[at]) - 1) if during else run.start_ms
            found.append(Gap(run.site, run.source, start_ms, run.stop_ms))
    return found


def _source(site: Site, runs: Sequence[Run], pump: str) -> Quantity | None:
    """The quantity that most of the day's runs were found in; without runs, the one they would be found in."""
    if runs:
        return Quantity(pd.Series([run.source.value for run in runs]).mode().iloc[0])
    own = {channel.quantity for channel in site.channels if channel.of == pump}
    return next((quantity for quantity in RUN_SOURCES if (quantity in own if pump else site.has(quantity))), None)


def _heard(
    store: ReadingStore, site: Site, source: Quantity | None, gaps: Sequence[Gap], of: Bounds, pump: str
) -> dict[str, Any]:
    if source is None:
        return {"heard_s": 0.0, "sampled_s": None}
    silent_ms = _silent_ms(gaps, source, of.start_ms, of.end_ms)
    readings = store.series(site.id, source, of.start_ms, of.end_ms, subject=pump)
    steps = np.diff(np.array([reading.time_ms for reading in readings], dtype=np.float64)) / 1000.0
    heard_s = max(0.0, (of.end_ms - of.start_ms - silent_ms) / 1000.0)
    return {
        "heard_s": heard_s if readings else 0.0,
        "sampled_s": float(np.median(steps)) if steps.size else None,
    }


def _silent_ms(gaps: Sequence[Gap], source: Quantity, start_ms: int, end_ms: int) -> int:
    """How long a quantity was not heard within a span [ms]."""
    return sum(max(0, min(gap.stop_ms, end_ms) - max(gap.start_ms, start_ms)) for gap in gaps if gap.quantity is source)


def _run_facts(site: Site, runs: Sequence[Run], gaps: Sequence[Gap], of: Bounds) -> dict[str, Any]:
    """Runs of the day and the waits before them; a wait that a gap or a censored edge cuts does not count."""
    table = runs_frame(runs)
    start = np.array([run.start_ms for run in runs], dtype=np.float64)
    stop = np.array([run.stop_ms for run in runs], dtype=np.float64)
    today = start >= of.start_ms
    whole = _whole_waits(runs, gaps)
    waits = np.concatenate([[np.nan], (start[1:] - stop[:-1]) / 1000.0]) if runs else np.empty(0)
    measured = table["measured"].to_numpy(dtype=bool) & today
    lengths = table["run_s"].to_numpy(dtype=np.float64)
    cycle = measured & whole & (waits > 0.0)
    off = waits[cycle]
    median = float(np.median(off)) if off.size else None
    drawdown_l = site.pit.drawdown_l
    hours = _running_hours(start, stop, of)
    return {
        "runs": int(today.sum()),
        "measured": int(measured.sum()),
        "samples": int(table["samples"].to_numpy()[today].sum()),
        "run_s": float(lengths[measured].sum()),
        "run_s2": float((lengths[measured] ** 2).sum()),
        "cycles": int(cycle.sum()),
        "on_s": float(lengths[cycle].sum()),
        "off_s": float(off.sum()),
        "off_s2": float((off**2).sum()),
        "shortest_wait_s": float(off.min()) if off.size else None,
        "median_wait_s": median,
        "longest_wait_s": float(off.max()) if off.size else None,
        "at_once": 0 if median is None else int((off < AT_ONCE * median).sum()),
        "energy_wh": _total(table["energy_wh"], today),
        "power_w": _weighted(table["power_w"], table["run_s"], measured),
        "peak_hour_s": float(hours.max()) if hours.size else 0.0,
        "peak_six_hours_s": float(np.convolve(hours, np.ones(6)).max()) if hours.size else 0.0,
        "water_l": None if drawdown_l is None else drawdown_l * int(today.sum()),
        **_cycle_facts(runs, gaps, start, stop, today),
    }


def _cycle_facts(
    runs: Sequence[Run], gaps: Sequence[Gap], start: Array, stop: Array, today: np.ndarray[Any, np.dtype[np.bool_]]
) -> dict[str, Any]:
    """The sums that health is told from; a run that one sample caught counts, one that a gap cut does not."""
    told = np.array([run.measured or run.samples == 1 for run in runs], dtype=bool)
    whole = np.zeros(len(runs), dtype=bool)
    whole[1:] = told[1:] & told[:-1]
    for gap in gaps:
        whole[1:] &= ~((gap.start_ms < start[1:]) & (gap.stop_ms > stop[:-1]))
    samples = np.array([run.samples for run in runs], dtype=np.float64)
    return asdict(cycle_facts(start / 1000.0, stop / 1000.0, samples, told, whole, today))


def _whole_waits(runs: Sequence[Run], gaps: Sequence[Gap]) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """For each run, whether the wait before it was heard from end to end."""
    whole = np.zeros(len(runs), dtype=bool)
    for place in range(1, len(runs)):
        before, run = runs[place - 1], runs[place]
        broken = any(gap.start_ms < run.start_ms and gap.stop_ms > before.stop_ms for gap in gaps)
        whole[place] = not (broken or before.stop_censored or run.start_censored)
    return whole


def _running_hours(start: Array, stop: Array, of: Bounds) -> Array:
    """Running time within each hour of the day [s], (hours,)."""
    edges = np.arange(of.start_ms, of.end_ms + 1, HOUR_MS, dtype=np.float64)
    if edges.size < 2:
        return np.empty(0)
    within = np.minimum(stop[:, None], edges[None, 1:]) - np.maximum(start[:, None], edges[None, :-1])
    return np.asarray(np.clip(within, 0.0, None).sum(axis=0) / 1000.0, dtype=np.float64)


def _total(column: pd.Series[Any], kept: np.ndarray[Any, np.dtype[np.bool_]]) -> float | None:
    known = column[kept].dropna()
    return float(known.sum()) if len(known) else None


def _weighted(
    column: pd.Series[Any], weight: pd.Series[Any], kept: np.ndarray[Any, np.dtype[np.bool_]]
) -> float | None:
    known = column[kept].dropna()
    shares = weight.loc[known.index] if known.index.is_unique else weight[kept][column[kept].notna()]
    return float(np.average(known, weights=shares)) if len(known) and float(shares.sum()) > 0.0 else None


def _weather(store: ReadingStore, site: Site, of: Bounds) -> dict[str, Any]:
    found: dict[str, Any] = {"rain_mm": None, "temperature_c": None}
    if site.has(Quantity.RAIN_DEPTH):
        points = store.series(site.id, Quantity.RAIN_DEPTH, of.start_ms, of.end_ms)
        found["rain_mm"] = sum(point.mean for point in points) if points else None
    elif site.has(Quantity.RAIN_RATE):
        rates = store.series(site.id, Quantity.RAIN_RATE, of.start_ms, of.end_ms, POINTS)
        hours = (of.end_ms - of.start_ms) / HOUR_MS
        found["rain_mm"] = float(np.mean([rate.mean for rate in rates])) * hours if rates else None
    if site.has(Quantity.PACK_TEMPERATURE):
        points = house_series(store, site, Quantity.PACK_TEMPERATURE, of.start_ms, of.end_ms, POINTS)
        found["temperature_c"] = float(np.mean([point.mean for point in points])) if points else None
    return found


def _pack_facts(
    store: ReadingStore, site: Site, runs: Sequence[Run], outages: Sequence[Outage], of: Bounds
) -> dict[str, Any]:
    """Charge over the day, and what was drawn while the pack carried the pump."""
    charge = house_series(store, site, Quantity.PACK_CHARGE, of.start_ms, of.end_ms, POINTS)
    found: dict[str, Any] = {
        "charge_low_percent": min((point.low for point in charge), default=None),
        "charge_high_percent": max((point.high for point in charge), default=None),
        "on_pack_s": 0.0,
        "fell_percent": None,
        "pack_wh": None,
    }
    spans = [
        (max(outage.start_ms, of.start_ms), min(outage.end_ms or of.end_ms, of.end_ms))
        for outage in outages
        if outage.start_ms < of.end_ms and (outage.end_ms is None or outage.end_ms > of.start_ms)
    ]
    if not spans:
        return found
    found["on_pack_s"] = sum(stop - start for start, stop in spans) / 1000.0
    falls = [_fall(store, site, start, stop) for start, stop in spans]
    found["fell_percent"] = sum(fall for fall in falls if fall is not None) if any(falls) else None
    given = [_given_wh(store, site, runs, start, stop) for start, stop in spans]
    found["pack_wh"] = sum(wh for wh in given if wh is not None) if any(given) else None
    return found


def _fall(store: ReadingStore, site: Site, start_ms: int, stop_ms: int) -> float | None:
    points = house_series(store, site, Quantity.PACK_CHARGE, start_ms, stop_ms)
    return points[0].mean - points[-1].mean if len(points) > 1 else None


def _given_wh(store: ReadingStore, site: Site, runs: Sequence[Run], start_ms: int, stop_ms: int) -> float | None:
    """Energy given by the pack [Wh]: measured at its output, else that of the pump's runs; None: neither is known."""
    output = house_series(store, site, Quantity.PACK_OUTPUT_POWER, start_ms, stop_ms)
    if len(output) > 1:
        at = np.array([point.time_ms for point in output], dtype=np.float64)
        watts = np.array([point.mean for point in output], dtype=np.float64)
        return float((watts[:-1] * np.diff(at)).sum() / HOUR_MS)
    known = [r.energy_wh for r in runs if start_ms <= r.start_ms < stop_ms and r.energy_wh is not None]
    return sum(known) if known else None
