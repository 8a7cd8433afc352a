"""The data of one site's strip, read from the store and the ledger."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from api.pages.historydata import flow_scale
from api.pages.ports import PagePorts
from api.pages.strip import ChargePoint, StripData, StripMarker, StripWords
from api.pages.waterahead import water_ahead
from forecaster.domain.forecast import Forecast, SurvivalPoint, chance_at
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Outage, Run, Supply
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS
from forecaster.pack.together import house_series
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording
from forecaster.water.by_runs import Step, hourly_depth, hourly_rate, inflow_steps, resampled

BACK_H = 8.0
LEAST_AHEAD_H = 10.0
MOST_AHEAD_H = 72.0
MOST_RUNS = 2000


@dataclass(frozen=True, slots=True)
class StripWindow:
    """The span of time that a strip shows."""

    now_ms: int
    start_ms: int
    end_ms: int


def window(now_ms: int, forecast: Forecast | None, asked_ms: int = 0) -> StripWindow:
    """From hours back to a little beyond the late end of the range, within bounds, and to the moment asked about."""
    ahead_h = LEAST_AHEAD_H
    if forecast is not None:
        late = forecast.hours_remaining.p90
        aged_h = (now_ms - forecast.issued_at_ms) / HOUR_MS
        ahead_h = MOST_AHEAD_H if late is None else min(MOST_AHEAD_H, max(LEAST_AHEAD_H, (late - aged_h) * 1.12 + 1))
    ahead_h = min(MOST_AHEAD_H, max(ahead_h, (asked_ms - now_ms) / HOUR_MS + 0.5))
    back_h = max(BACK_H, ahead_h * 0.3)
    return StripWindow(now_ms, round(now_ms - back_h * HOUR_MS), round(now_ms + ahead_h * HOUR_MS))


def strip_data(
    ports: PagePorts, site: Site, forecast: Forecast | None, view: StripWindow, words: Words, marker: StripMarker | None
) -> StripData:
    """Everything that the strip draws."""
    runs = list(reversed(ports.ledger.runs(site.id, view.start_ms, view.now_ms + 1, MOST_RUNS).runs))
    outages = [o for o in ports.ledger.outages(site.id, 50) if o.end_ms is None or o.end_ms > view.start_ms]
    steps, in_litres = water_steps(site, forecast, runs, view)
    wording = Wording.of(site, words)
    reserve_at: tuple[int | None, int | None, int | None] = (None, None, None)
    if forecast is not None:
        hours = forecast.hours_remaining
        reserve_at = (at(forecast, hours.p10), at(forecast, hours.p50), at(forecast, hours.p90))
    return StripData(
        now_ms=view.now_ms,
        start_ms=view.start_ms,
        end_ms=view.end_ms,
        zone=wording.zone,
        charge=charge_points(ports, site, view),
        fan=forecast.drain_path if forecast is not None else (),
        survival=survival_within(forecast, view.end_ms),
        mains=mains_spans(forecast, outages, view),
        runs=[(run.start_ms, run.stop_ms) for run in runs],
        water=steps,
        water_ahead=water_ahead(forecast, site.pack.reserve_percent, view.end_ms) if in_litres else (),
        in_litres=in_litres,
        rain=rain_steps(ports, site, view),
        rain_ahead=hourly_depth(
            ports.store.series(site.id, Quantity.RAIN_EXPECTED, view.now_ms, view.end_ms)
            if site.has(Quantity.RAIN_EXPECTED) or site.weather is not None
            else ()
        ),
        reserve_percent=site.pack.reserve_percent,
        reserve_at=reserve_at,
        events=supply_events(outages, view, wording, words),
        water_scale=flow_scale(wording) if in_litres else 1.0,
        marker=marker,
    )


def survival_within(forecast: Forecast | None, end_ms: int) -> tuple[SurvivalPoint, ...]:
    """The forecast's chances within the window, and the chance at its end."""
    curve = () if forecast is None else forecast.chances()
    at_end = chance_at(curve, end_ms)
    inside = tuple(point for point in curve if point.at_ms < end_ms)
    return inside if at_end is None else (*inside, SurvivalPoint(end_ms, at_end))


def at(forecast: Forecast, hours: float | None) -> int | None:
    """The time some hours after a forecast was made [UTC milliseconds]."""
    return None if hours is None else round(forecast.issued_at_ms + hours * HOUR_MS)


def charge_points(ports: PagePorts, site: Site, view: StripWindow) -> list[ChargePoint]:
    """The measured charge, thinned without losing extremes."""
    points = house_series(ports.store, site, Quantity.PACK_CHARGE, view.start_ms, view.now_ms + 1, 160)
    return [(point.time_ms, point.mean) for point in points]


def water_steps(site: Site, forecast: Forecast | None, runs: list[Run], view: StripWindow) -> tuple[list[Step], bool]:
    """The inflow as steps, thinned to what the drawing can show."""
    rate = forecast.water.pump_rate_l_per_min if forecast is not None else None
    steps, in_litres = inflow_steps(runs, site.pit, rate)
    if len(steps) > 60:
        steps = resampled(steps, view.start_ms, view.now_ms, 60)
    return steps, in_litres


def rain_steps(ports: PagePorts, site: Site, view: StripWindow) -> list[Step]:
    """Rain by the hour [mm], from depths or else from rates; the hour that is not over ends now."""
    start = view.start_ms // HOUR_MS * HOUR_MS
    steps: list[Step] = []
    if site.has(Quantity.RAIN_DEPTH):
        steps = hourly_depth(ports.store.series(site.id, Quantity.RAIN_DEPTH, start, view.now_ms + 1))
    elif site.has(Quantity.RAIN_RATE):
        steps = hourly_rate(ports.store.series(site.id, Quantity.RAIN_RATE, start, view.now_ms + 1))
    return [(begin, min(stop, view.now_ms), depth) for begin, stop, depth in steps if begin < view.now_ms]


def mains_spans(forecast: Forecast | None, outages: list[Outage], view: StripWindow) -> list[tuple[int, int]]:
    """The spans on mains within the window, up to now: what lies between the outages."""
    if forecast is None:
        return []
    spans: list[tuple[int, int]] = []
    begin = view.start_ms
    for outage in sorted(outages, key=lambda o: o.start_ms):
        if outage.start_ms > begin:
            spans.append((begin, min(outage.start_ms, view.now_ms)))
        begin = view.now_ms if outage.end_ms is None else max(begin, outage.end_ms)
    if forecast.supply is Supply.PACK and not any(o.end_ms is None for o in outages):
        begin = view.now_ms if forecast.supply_since_ms is None else begin
        if forecast.supply_since_ms is not None and forecast.supply_since_ms > begin:
            spans.append((begin, forecast.supply_since_ms))
        return spans
    if begin < view.now_ms:
        spans.append((begin, view.now_ms))
    return spans


def supply_events(outages: list[Outage], view: StripWindow, wording: Wording, words: Words) -> list[tuple[int, str]]:
    """The latest loss and return of mains within the window, named."""
    found: list[tuple[int, str]] = []
    for outage in sorted(outages, key=lambda o: o.start_ms)[-2:]:
        if view.start_ms < outage.start_ms:
            said = words("now.strip_mains_lost", time=wording.clock(outage.start_ms, view.now_ms))
            found.append((outage.start_ms, said))
        if outage.end_ms is not None and view.start_ms < outage.end_ms:
            said = words("now.strip_mains_back", time=wording.clock(outage.end_ms, view.now_ms))
            found.append((outage.end_ms, said))
    return found


def strip_words(
    site: Site, wording: Wording, words: Words, view: StripWindow, sentence: str, in_litres: bool
) -> StripWords:
    """The strip's words for one site."""

    def hour(local: datetime) -> str:
        twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
        return wording.dated(local, "hour_zone" if twice else "hour")

    return StripWords(
        title=words("now.strip_title", name=site.name),
        description=words(
            "now.strip_text",
            sentence=sentence,
            start=wording.within(view.start_ms, view.now_ms),
            end=wording.within(view.end_ms, view.now_ms),
        ),
        charge=words("now.strip_charge"),
        water=words("now.strip_water"),
        rain=words("now.strip_rain"),
        runs=words("now.strip_runs"),
        chance=words("now.strip_chance"),
        chance_name=words("now.strip_chance_name"),
        chance_short=words("now.strip_chance_short"),
        reserve=words("now.strip_reserve", percent=f"{site.pack.reserve_percent:g}"),
        now=words("now.strip_now", time=wording.clock(view.now_ms, view.now_ms)),
        slider=words("now.strip_slider"),
        clock=hour,
        day=lambda local: wording.dated(local, "day"),
        short_day=lambda local: wording.dated(local, "short_day"),
        rate=wording.flow if in_litres else wording.percent,
        depth=wording.rain,
        hundred=lambda chance: in_hundred(chance, words),
    )


def in_hundred(chance: float, words: Words) -> str:
    """A chance, 0..1, as a numeral in 100; never 0 or 100, which nobody can know."""
    percent = hundredths(chance)
    if percent >= 100:
        return words("now.chance_sure")
    return words("now.chance_none") if percent <= 0 else f"{percent}"


def hundredths(chance: float) -> int:
    """A chance, 0..1, in 100, halves up: as the script rounds it."""
    return math.floor(chance * 100.0 + 0.5)
