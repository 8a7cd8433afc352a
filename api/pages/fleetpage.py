"""All sites, those that need somebody first, one line a site."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from api.deliver.reachable import contact_faults, parts_aside, reachable
from api.pages.fleetlines import LineMaker
from api.pages.livecontexts import Fleet, FleetBanner, FleetCount
from api.pages.moments import zone_words
from api.pages.ports import PagePorts
from api.pages.rehearsalpage import test_banner
from api.pages.triage import SHOWS, Triaged, Urgency, triaged
from forecaster.domain.alarms import STANDING, Alarm
from forecaster.domain.site import Site
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording

LINES_A_PAGE = 100
NAMED = 5
"""How many sites a warning names before it counts the rest."""


@dataclass(frozen=True, slots=True)
class Sought:
    """What of all sites is asked for: words of the search, a filter, a group, and the page."""

    query: str = ""
    show: str = "all"
    group: str = ""
    page: int = 1


def fleet_page(
    ports: PagePorts, words: Words, sought: Sought, *, only: str | None = None, operate: bool = True
) -> Fleet:
    """The list of sites that a caller may see, searched, filtered and cut into pages."""
    now_ms = ports.clock.now_ms()
    sites = [site for site in ports.sites.values() if only in (None, site.id)]
    subscribed = ports.ledger.subscriptions()
    untold = [site for site in sites if not reachable(site, ports.channels, subscribed)]
    every = triage(ports, sites, frozenset(site.id for site in untold), now_ms, only)
    show = sought.show if sought.show in SHOWS else "all"
    wanted = [one for one in every if matches(one.site, sought.query) and one.passes(show, sought.group)]
    zones = {zone_words(now_ms, Wording.of(one.site, words), words) for one in wanted}
    pages = max(1, math.ceil(len(wanted) / LINES_A_PAGE))
    page = min(max(1, sought.page), pages)
    part = wanted[(page - 1) * LINES_A_PAGE : page * LINES_A_PAGE]
    maker = LineMaker(words, now_ms, zoned=len(zones) > 1, notices=ports.ledger.notices, names=operate)
    return Fleet(
        lines=maker.lines(part),
        counts=counts_of(every, words),
        banners=banners_of(ports, part, words),
        shown=lead_of(sites, zones, words),
        query=sought.query,
        show=show,
        group=sought.group,
        groups=tuple(sorted({group for site in sites for group in site.groups}, key=str.casefold)),
        total=len(sites),
        page=page,
        pages=pages,
        made_ms=now_ms,
        warnings=fleet_warnings(ports, sites, untold, words, operate=operate),
        choices=tuple((key, words(f"fleet.{key}")) for key in SHOWS),
    )


def triage(
    ports: PagePorts, sites: Sequence[Site], untold: frozenset[str], now_ms: int, only: str | None
) -> list[Triaged]:
    """Every site with what is known of it, in the order of who needs somebody."""
    forecasts = ports.forecasts([only] if only is not None else None, brief=True)
    alarms = open_alarms(ports, only)
    found = [triaged(site, forecasts.get(site.id), alarms.get(site.id, []), site.id not in untold) for site in sites]
    return sorted(found, key=lambda one: one.order(now_ms))


def open_alarms(ports: PagePorts, only: str | None) -> dict[str, list[Alarm]]:
    """Open alarms by site."""
    found: dict[str, list[Alarm]] = {}
    for alarm in ports.ledger.alarms(only, STANDING, 5000):
        found.setdefault(alarm.site, []).append(alarm)
    return found


def matches(site: Site, query: str) -> bool:
    """Whether every word of the search is in the site's name, id or groups."""
    text = f"{site.name} {site.id} {' '.join(site.groups)}".casefold()
    return all(word in text for word in query.casefold().split())


def lead_of(sites: Sequence[Site], zones: set[str], words: Words) -> str:
    """How many sites there are, and the zone of their times where it is one."""
    lead = [words("fleet.lead_one") if len(sites) == 1 else words("fleet.lead", n=len(sites))]
    if len(zones) == 1:
        lead.append(words("fleet.lead_zone", zone=next(iter(zones))))
    return " ".join(lead)


def counts_of(every: Sequence[Triaged], words: Words) -> tuple[FleetCount, ...]:
    """How many sites stand how, those that need somebody first; kinds that there are none of are left out."""
    found = {urgency: sum(1 for one in every if one.urgency is urgency) for urgency in Urgency}
    return tuple(
        FleetCount(urgency.value, words(f"fleet.count_{urgency.value}", n=n)) for urgency, n in found.items() if n
    )


def banners_of(ports: PagePorts, part: Sequence[Triaged], words: Words) -> tuple[FleetBanner, ...]:
    """What the fleet says of discharge tests, while they wait or run."""
    found = []
    tests = {test.site: test for test in reversed(ports.ledger.open_tests())}
    for one in part:
        says = test_banner(tests.get(one.site.id), words)
        if says is not None:
            found.append(FleetBanner(one.site.id, one.site.name, says))
    return tuple(found)


def fleet_warnings(
    ports: PagePorts,
    sites: Sequence[Site],
    untold: Sequence[Site],
    words: Words,
    *,
    operate: bool,
) -> tuple[str, ...]:
    """Whose people cannot be told: each thing said once, with the sites that it is true of."""
    lines = [words("fleet.nobody", n=len(untold), sites=some(untold, words))] if untold else []
    faults = [
        (fault.says, site) for site in sites for fault in contact_faults(site, ports.channels, words, names=operate)
    ] + [(says, site) for site in sites for says in parts_aside(site, words, values=operate)]
    by_fault: Mapping[str, list[Site]] = {
        says: [site for _, site in group] for says, group in groupby(sorted(faults, key=fault_of), key=fault_of)
    }
    return (*lines, *(f"{some(found, words)}: {says}" for says, found in by_fault.items()))


def fault_of(fault: tuple[str, Site]) -> str:
    """What is said of a fault."""
    return fault[0]


def some(sites: Sequence[Site], words: Words) -> str:
    """The first sites by name, and how many more."""
    names = ", ".join(site.name for site in sites[:NAMED])
    more = len(sites) - NAMED
    return names if more <= 0 else words("fleet.and_more", names=names, n=more)
