"""The part of a site's page that is updated live: the sentence, the strip, open alarms, the water and the log."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, time, timedelta

from markupsafe import Markup, escape

from api.pages.acting import ActNow, act_now
from api.pages.alarmcards import alarm_cards
from api.pages.contexts import DataTable, LogLine
from api.pages.facts import facts_of, of_first
from api.pages.forscript import MEANINGS, silence_of, survival_json
from api.pages.frame import ticks
from api.pages.livecontexts import DataAge, Marker, SiteNow
from api.pages.moments import zone_words
from api.pages.pen import draw
from api.pages.ports import PagePorts
from api.pages.rehearsalpage import test_banner
from api.pages.strip import StripData, StripMarker, StripWords, lying, standing
from api.pages.stripdata import StripWindow, at, hundredths, strip_data, strip_words, survival_within, window
from api.pages.whychanged import why_changed
from forecaster.domain.forecast import Basis, Forecast, chance_at
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Outage, Run, Supply
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS
from forecaster.live.rehearsals import running_test
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording

STALE_FORECAST_MS = 180_000
LOG_LINES = 12
TURNS = (7, 19)
"""Hours of the local clock at which people look again: morning and evening."""
AWAY_MS = 4 * HOUR_MS
CLAIMED = 0.8
"""Share of cases in which the shaded range is meant to hold: between its 10 and 90 % points."""
LEAST_CASES = 5
"""From so many cases on the site's own count is told in place of what is meant."""
OUTLOOKS = {Quantity.RAIN_EXPECTED, Quantity.RAIN_DEPTH, Quantity.RAIN_RATE}


def site_now(
    ports: PagePorts,
    site: Site,
    words: Words,
    *,
    until_ms: int | None = None,
    meaning: str = "mains",
    operate: bool = True,
    asked: str = "",
    looked_ms: int | None = None,
) -> SiteNow:
    """Everything the living part of a site's page shows.

    asked : the alarm just acknowledged from it; looked_ms : when this reader last looked
    """
    now_ms = ports.clock.now_ms()
    wording = Wording.of(site, words)
    forecast = ports.forecast(site.id)
    cards = alarm_cards(ports, site, words, now_ms, operate=operate, forecast=forecast)
    act = act_now(ports, site, forecast, cards, words, now_ms, asked=asked)
    view = window(now_ms, forecast, telling_ms(now_ms, wording))
    marker = marker_of(forecast, view, wording, words, until_ms, meaning)
    drawn = None if marker is None else StripMarker(marker.at_ms, marker.name, marker.says)
    data = strip_data(ports, site, forecast, view, words, drawn)
    age = age_of(ports.store.latest(site.id).values(), forecast, now_ms, wording, words)
    sentence = sentence_of(forecast, wording, words, now_ms, silent_since(site, forecast, age, now_ms))
    said = strip_words(site, wording, words, view, sentence.striptags(), data.in_litres)
    return SiteNow(
        site=site.id,
        name=site.name,
        made_ms=now_ms,
        middle_ms=middle_of(forecast, wording, now_ms),
        sentence=sentence,
        under=under_of(site, forecast, wording, words),
        age=age,
        banners=tuple(filter(None, [test_banner(running_test(ports.ledger, site.id), words)])),
        warnings=unsaid(ports.reach_warnings(site, words, operate=operate), act)
        + warnings_of(forecast, wording, words, now_ms),
        act=act,
        alarms=tuple(card for card in cards if act is None or card is not act.card),
        strip_wide=draw(data, said, lying(view.start_ms, view.end_ms)),
        strip_tall=draw(data, said, standing(view.start_ms, view.end_ms)),
        strip_table=strip_table(data, said, wording, words),
        marker=marker,
        facts=facts_of(site, forecast, wording, words, now_ms),
        held=held_words(forecast, words),
        log=log_of(ports, site, data, wording, words),
        log_note=of_first(site, words),
        has_rain=bool(data.rain or data.rain_ahead),
        has_water_ahead=bool(data.water_ahead),
        zone=site.timezone,
        survival=survival_json(survival_within(forecast, max(data.end_ms, 0 if marker is None else marker.at_ms))),
        silence_s=silence_of(site),
        why=why_changed(
            ports, site, forecast, words, now_ms,
            looked_ms=looked_ms,
            alarm_ms=None if act is None or act.card is None else act.card.alarm.raised_ms,
        ),
    )  # fmt: skip


def unsaid(warnings: tuple[str, ...], act: ActNow | None) -> tuple[str, ...]:
    """Warnings without those whose first sentence stands in the box above them already."""
    above = "" if act is None else f"{act.says} {act.does}"
    return tuple(line for line in warnings if line.partition(". ")[0].rstrip(".") not in above)


def silent_since(site: Site, forecast: Forecast | None, age: DataAge, now_ms: int) -> int | None:
    """Since when a house is silent that was heard before: longer than its channels may be [UTC milliseconds]."""
    if age.heard_ms is None or forecast is None:
        return None
    late = now_ms - age.heard_ms > silence_of(site) * 1000
    return age.heard_ms if late or forecast.basis is Basis.PROJECTED else None


def sentence_of(
    forecast: Forecast | None, wording: Wording, words: Words, now_ms: int, silent_ms: int | None = None
) -> Markup:
    """The sentence at the top: who carries the pump since when, and how long that lasts.

    silent_ms : int | None — nothing has been heard since: what stands here was so then
    """
    if forecast is None:
        return Markup(escape(words("now.no_forecast")))
    on_pack = forecast.supply is Supply.PACK
    if silent_ms is not None:
        first = words("now.pack_silent" if on_pack else "now.mains_silent", since=wording.within(silent_ms, now_ms))
    elif forecast.supply_since_ms is None:
        first = words("now.pack" if on_pack else "now.mains")
    else:
        since = wording.within(forecast.supply_since_ms, now_ms)
        first = words("now.pack_since" if on_pack else "now.mains_since", since=since)
    hours = forecast.hours_remaining
    if hours.p10 is None and hours.p50 is None:
        beyond = forecast.never_probability > 0.5
        span = wording.beyond(forecast.horizon_h)
        second = words("now.will_beyond" if on_pack else "now.would_beyond", span=span)
        return Markup(escape(f"{first} {second if beyond else words('now.no_answer')}"))
    if on_pack and hours.p90 is not None and hours.p90 <= 0:
        return Markup(escape(f"{first} {words('now.reached')}"))
    until = wording.until(hours, forecast.issued_at_ms, now_ms)
    if until == words("wording.until.now"):
        return Markup(escape(f"{first} {words('now.will_beyond' if on_pack else 'now.would_beyond', span=until)}"))
    zone = zone_words(forecast.issued_at_ms, wording, words)
    second = escape(words("now.will" if on_pack else "now.would", until=until, zone=zone))
    middle = at(forecast, hours.p50 if hours.p50 is not None else hours.p10)
    if middle is not None:
        strong = escape(wording.about(middle, now_ms))
        second = Markup(second.replace(strong, Markup("<b>{}</b>").format(strong), 1))
    return Markup("{} {}").format(first, second)


def middle_of(forecast: Forecast | None, wording: Wording, now_ms: int) -> int | None:
    """The median of the range as the sentence words it."""
    middle = None if forecast is None else at(forecast, forecast.hours_remaining.p50)
    return None if middle is None else wording.meant(middle, now_ms)


def under_of(site: Site, forecast: Forecast | None, wording: Wording, words: Words) -> tuple[str, ...]:
    """The text under the sentence."""
    if forecast is None:
        return ()
    found: list[str] = []
    hours = forecast.hours_remaining
    if hours.p50 is not None and hours.p50 > 0:
        key = "now.left" if forecast.supply is Supply.PACK else "now.would_left"
        reserve = wording.percent(site.pack.reserve_percent)
        found.append(words(key, hours=wording.hours(hours.p50), percent=reserve))
    if forecast.supply_inferred:
        found.append(words("now.inferred"))
    return tuple(found)


def age_of(
    latest: Iterable[Reading], forecast: Forecast | None, now_ms: int, wording: Wording, words: Words
) -> DataAge:
    """The age of the newest reading that tells of the house itself."""
    heard = [r.time_ms for r in latest if r.quantity not in OUTLOOKS and r.time_ms <= now_ms + 60_000]
    if not heard:
        return DataAge(words("age.never"), None, stale=True)
    newest = max(heard)
    stale = forecast is not None and forecast.basis is Basis.PROJECTED
    said = wording.ago(max(0.0, (now_ms - newest) / 1000.0))
    return DataAge(words("age.stale" if stale else "age.heard", age=said), newest, stale=stale)


def warnings_of(forecast: Forecast | None, wording: Wording, words: Words, now_ms: int) -> tuple[str, ...]:
    """Warnings that make the answer less reliable."""
    if forecast is None:
        return ()
    found: list[str] = []
    if now_ms - forecast.issued_at_ms > STALE_FORECAST_MS:
        found.append(words("now.forecaster_still", at=wording.within(forecast.issued_at_ms, now_ms)))
    if forecast.basis is Basis.PROJECTED:
        found.append(words("now.basis_projected"))
    if forecast.basis is Basis.SPECIFICATION:
        found.append(words("now.basis_specification"))
    if forecast.degraded:
        found.append(words("now.degraded", what="; ".join(words.again(reason) for reason in forecast.degraded)))
    return tuple(found)


def marker_of(
    forecast: Forecast | None, view: StripWindow, wording: Wording, words: Words, until_ms: int | None, meaning: str
) -> Marker | None:
    """The marker at the requested moment, else at one that is likely to be of interest."""
    if forecast is None or not forecast.survival:
        return None
    meaning = meaning if meaning in MEANINGS else "other"
    at_ms = telling_ms(view.now_ms, wording) if until_ms is None else until_ms
    chance = forecast.chance_until(at_ms)
    name = words("now.marker_name", what=words(f"now.marker_{meaning}"), time=wording.clock(at_ms, view.now_ms))
    says = chance_words(chance, words)
    return Marker(
        at_ms=at_ms,
        field_value=wording.local(at_ms).strftime("%Y-%m-%dT%H:%M"),
        meaning=meaning,
        says=says,
        name=name,
        line=words("now.marker_line", name=name, chance=says),
        set_by_person=until_ms is not None,
    )


def telling_ms(now_ms: int, wording: Wording) -> int:
    """A moment worth asking about: the next morning or evening of the house that is some hours away."""
    today = wording.local(now_ms).date()
    turns = [
        round(datetime.combine(today + timedelta(days=day), time(hour), wording.zone).timestamp() * 1000)
        for day in (0, 1)
        for hour in TURNS
    ]
    return next(at_ms for at_ms in turns if at_ms >= now_ms + AWAY_MS)


def chance_words(probability: float | None, words: Words) -> str:
    """`46 in 100`; never 0 or 100, which nobody can know; that it is not known beyond the horizon."""
    if probability is None:
        return words("now.marker_unknown")
    percent = hundredths(probability)
    if percent >= 100:
        return words("now.marker_sure")
    if percent <= 0:
        return words("now.marker_none")
    return words("now.marker_says", chance=percent)


def held_words(forecast: Forecast | None, words: Words) -> str:
    """What the shaded range claims: as it is meant, or what it has held here where that is clearly less."""
    coverage = None if forecast is None else forecast.coverage
    if coverage is None or coverage.count < LEAST_CASES or coverage.hits >= CLAIMED * coverage.count:
        return words("now.held_meant")
    return words("now.held_here", hits=coverage.hits, count=coverage.count)


def strip_table(data: StripData, said: StripWords, wording: Wording, words: Words) -> DataTable:
    """The strip as a table, a row for each tick."""
    marks = ticks(data.start_ms, data.end_ms, data.zone)
    rows = []
    for mark, end_ms in zip(marks, [*(m.at_ms for m in marks[1:]), data.end_ms], strict=True):
        ahead = mark.at_ms > data.now_ms
        charge = value_at(data.charge, mark.at_ms) if not ahead else middle_at(data, mark.at_ms)
        runs = sum(mark.at_ms <= start < end_ms for start, _ in data.runs)
        water = [v for start, stop, v in data.water if start <= mark.at_ms < stop]
        chance = chance_at(data.survival, mark.at_ms) if ahead else None
        rows.append(
            (
                wording.clock(mark.at_ms, data.now_ms),
                "" if charge is None else f"{charge:.0f}",
                "" if ahead else str(runs),
                said.rate(water[0]) if water else "",
                "" if chance is None else said.hundred(chance),
            )
        )
    head = ("now.table_time", "now.table_charge", "now.table_runs", "now.table_water", "now.table_chance")
    return DataTable(words("now.strip"), tuple(words(key) for key in head), tuple(rows))


def value_at(points: Sequence[tuple[int, float]], at_ms: int) -> float | None:
    """The last value measured up to a moment."""
    seen = [value for time_ms, value in points if time_ms <= at_ms]
    return seen[-1] if seen else None


def middle_at(data: StripData, at_ms: int) -> float | None:
    """The median of the expected charge at the first of its points from a moment on."""
    return next((point.p50 for point in data.fan if point.at_ms >= at_ms), None)


def log_of(ports: PagePorts, site: Site, data: StripData, wording: Wording, words: Words) -> tuple[LogLine, ...]:
    """The newest runs, transfers and changes of alarms, newest first."""
    now_ms = data.now_ms
    runs = ports.ledger.runs(site.id, data.start_ms, now_ms + 1, 6).runs
    found = [(run.start_ms, run_words(run, wording, words), "run") for run in runs]
    for outage in ports.ledger.outages(site.id, 2):
        found += outage_lines(outage, words)
    for change in ports.ledger.transitions(site.id, now_ms - 48 * HOUR_MS, now_ms + 1, 8):
        said = f"{words(f'alarms.kind.{change.alarm.kind.value}')}: {words(f'alarms.change.{change.kind.value}')}"
        found.append((change.at_ms, said, "alarm"))
    found.sort(key=lambda entry: -entry[0])
    return tuple(
        LogLine(wording.clock(at_ms, now_ms), wording.local(at_ms).isoformat(timespec="seconds"), said, kind)
        for at_ms, said, kind in found[:LOG_LINES]
    )


def outage_lines(outage: Outage, words: Words) -> list[tuple[int, str, str]]:
    """An outage's beginning and end as log lines."""
    lines = [(outage.start_ms, words("now.log_rehearsal" if outage.rehearsal else "now.log_lost"), "supply")]
    if outage.end_ms is not None:
        lines.append((outage.end_ms, words("now.log_back"), "supply"))
    return lines


def run_words(run: Run, wording: Wording, words: Words) -> str:
    """`Run of 10.4 s at 512 W`; a run whose edge was not seen is a bound."""
    length = wording.duration(run.run_s)
    if not run.measured:
        return words("now.log_run_bound", length=length)
    if run.power_w is None:
        return words("now.log_run", length=length)
    return words("now.log_run_power", length=length, power=wording.watts(run.power_w))
