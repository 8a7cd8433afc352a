"""All sites, soonest out first, one line a site."""

from __future__ import annotations

import math

from api.deliver.reachable import reach_warnings
from api.pages.livecontexts import Fleet, FleetBanner, FleetLine
from api.pages.moments import zone_words
from api.pages.ports import PagePorts
from api.pages.rehearsalpage import test_banner
from forecaster.domain.alarms import Alarm, AlarmState
from forecaster.domain.forecast import Basis, Forecast
from forecaster.domain.runs import Supply
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS
from forecaster.live.rehearsals import running_test
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording

SHOWS = ("all", "pack", "alarm", "stale")
LINES_A_PAGE = 100
MOST_WARNINGS = 5
OPEN = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED)


def fleet_page(
    ports: PagePorts,
    words: Words,
    *,
    query: str = "",
    show: str = "all",
    page: int = 1,
    only: str | None = None,
    operate: bool = True,
) -> Fleet:
    """The list of sites that a caller may see, searched, filtered and cut into pages."""
    now_ms = ports.clock.now_ms()
    sites = [site for site in ports.sites.values() if only in (None, site.id)]
    forecasts = ports.forecasts([only] if only is not None else None, brief=True)
    alarms = open_alarms(ports, only)
    show = show if show in SHOWS else "all"
    wanted = [
        site for site in sites if matches(site, query) and shown(show, forecasts.get(site.id), alarms.get(site.id, []))
    ]
    zones = {zone_words(now_ms, Wording.of(site, words), words) for site in wanted}
    wanted.sort(key=lambda site: urgency(site, forecasts.get(site.id), now_ms))
    pages = max(1, math.ceil(len(wanted) / LINES_A_PAGE))
    page = min(max(1, page), pages)
    part = wanted[(page - 1) * LINES_A_PAGE : page * LINES_A_PAGE]
    on_pack = sum(1 for site in sites if is_on_pack(forecasts.get(site.id)))
    lead = [words("fleet.lead_one") if len(sites) == 1 else words("fleet.lead", n=len(sites))]
    if on_pack:
        lead.append(words("fleet.lead_pack", n=on_pack))
    if len(zones) == 1:
        lead.append(words("fleet.lead_zone", zone=next(iter(zones))))
    return Fleet(
        lines=tuple(
            line_of(s, forecasts.get(s.id), alarms.get(s.id, []), words, now_ms, zoned=len(zones) > 1) for s in part
        ),
        banners=tuple(found for site in part if (found := banner_of(ports, site, words)) is not None),
        shown=" ".join(lead),
        query=query,
        show=show,
        total=len(sites),
        page=page,
        pages=pages,
        warnings=fleet_warnings(ports, sites, words, operate=operate),
        choices=tuple((key, words(f"fleet.{key}")) for key in SHOWS),
    )


def banner_of(ports: PagePorts, site: Site, words: Words) -> FleetBanner | None:
    """What the fleet says of a site's discharge test, while it waits or runs."""
    says = test_banner(running_test(ports.ledger, site.id), words)
    return None if says is None else FleetBanner(site.id, site.name, says)


def fleet_warnings(ports: PagePorts, sites: list[Site], words: Words, *, operate: bool) -> tuple[str, ...]:
    """Whose people cannot be told: the first sites in words, then how many more."""
    subscribed = ports.ledger.subscriptions()
    lines = [
        f"{site.name}: {line}"
        for site in sites
        for line in reach_warnings(site, ports.channels, subscribed, words, names=operate)
    ]
    more = [f"+ {len(lines) - MOST_WARNINGS}"] if len(lines) > MOST_WARNINGS else []
    return tuple(lines[:MOST_WARNINGS] + more)


def open_alarms(ports: PagePorts, only: str | None) -> dict[str, list[Alarm]]:
    """Open alarms by site."""
    found: dict[str, list[Alarm]] = {}
    for alarm in ports.ledger.alarms(only, OPEN, 5000):
        found.setdefault(alarm.site, []).append(alarm)
    return found


def matches(site: Site, query: str) -> bool:
    """Whether every word of the search is in the site's name or id."""
    text = f"{site.name} {site.id}".casefold()
    return all(word in text for word in query.casefold().split())


def shown(show: str, forecast: Forecast | None, alarms: list[Alarm]) -> bool:
    """Whether a site passes the filter."""
    if show == "pack":
        return is_on_pack(forecast)
    if show == "alarm":
        return bool(alarms)
    if show == "stale":
        return forecast is None or forecast.basis is Basis.PROJECTED
    return True


def is_on_pack(forecast: Forecast | None) -> bool:
    """Whether the pack carries the pump now."""
    return forecast is not None and forecast.supply is Supply.PACK


def urgency(site: Site, forecast: Forecast | None, now_ms: int) -> tuple[int, float, str]:
    """On the pack before on mains, soonest out first, then what is not known; by name where equal."""
    if forecast is None:
        return (2, 0.0, site.name.casefold())
    hours = forecast.hours_remaining.p50
    until = math.inf if hours is None else forecast.issued_at_ms + hours * HOUR_MS - now_ms
    return (0 if is_on_pack(forecast) else 1, until, site.name.casefold())


def line_of(
    site: Site, forecast: Forecast | None, alarms: list[Alarm], words: Words, now_ms: int, *, zoned: bool
) -> FleetLine:
    """One site's line; zoned : its times name their zone."""
    wording = Wording.of(site, words)
    unknown = words("fleet.unknown")
    alarm_words = unknown if forecast is None and not alarms else words("fleet.no_alarm")
    if alarms:
        gravest = max(alarms, key=lambda alarm: (alarm.priority.rank, alarm.raised_ms))
        alarm_words = words(f"alarms.kind.{gravest.kind.value}")
        if len(alarms) > 1:
            alarm_words = words("fleet.alarm_more", first=alarm_words, n=len(alarms) - 1)
    if forecast is None:
        never = words("age.never")
        return FleetLine(site.id, site.name, "", unknown, "", "", "", unknown, alarm_words, never, True, False)
    hours, on_pack = forecast.hours_remaining, is_on_pack(forecast)
    age_s = None if forecast.data_age_s is None else forecast.data_age_s + (now_ms - forecast.issued_at_ms) / 1000.0
    return FleetLine(
        id=site.id,
        name=site.name,
        supply=words("fleet.supply_pack" if on_pack else "fleet.supply_mains"),
        reserve_at=until_words(forecast, wording, words, now_ms),
        range=range_words(forecast, wording, words, now_ms),
        zone=zone_words(now_ms, wording, words) if zoned else "",
        left=wording.hours(hours.p50) if hours.p50 is not None else "",
        charge=wording.percent(forecast.charge_percent) if forecast.charge_percent is not None else unknown,
        alarms=alarm_words,
        heard=wording.ago(age_s) if age_s is not None else words("age.never"),
        stale=forecast.basis is Basis.PROJECTED or age_s is None,
        on_pack=on_pack,
    )


def until_words(forecast: Forecast, wording: Wording, words: Words, now_ms: int) -> str:
    """`13:40`, or on mains `if it failed now: 13:40`."""
    hours = forecast.hours_remaining.p50
    if hours is None:
        said = wording.beyond(forecast.horizon_h) if forecast.never_probability > 0.5 else words("fleet.unknown")
    else:
        said = meant_clock(forecast, hours, wording, now_ms)
    return said if is_on_pack(forecast) else words("fleet.if_failed", time=said)


def range_words(forecast: Forecast, wording: Wording, words: Words, now_ms: int) -> str:
    """`12:05 to 16:30`."""
    low, high = forecast.hours_remaining.p10, forecast.hours_remaining.p90
    if low is None or high is None:
        return ""
    ends = [meant_clock(forecast, hours, wording, now_ms) for hours in (low, high)]
    return words("fleet.range", low=ends[0], high=ends[1])


def meant_clock(forecast: Forecast, hours: float, wording: Wording, now_ms: int) -> str:
    """The clock some hours after the forecast's issue, rounded to what can be meant."""
    return wording.clock(wording.meant(round(forecast.issued_at_ms + hours * HOUR_MS), now_ms), now_ms)
