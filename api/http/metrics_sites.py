"""What the ledger knows of the sites: sums over them always, gauges of each where there are not too many."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Any

import msgspec

from api.http.security import Principal
from api.process.services import Services
from forecaster.domain.alarms import OPEN
from forecaster.domain.counts import Count
from forecaster.domain.forecast import Basis
from forecaster.domain.runs import Outage, Supply

LEVELS = ("0.10", "0.50", "0.90")


def site_counts(services: Services, who: Principal) -> Iterator[Count]:
    """Sums over the sites that the asker may see, and gauges of each where sites have them."""
    known = {site for site in services.installation.sites if who.may_read(site)}
    yield from _sums(services, known)
    yield from alarm_counts(services, who)
    if not services.installation.http.site_metrics:
        return
    now_ms = services.clock.now_ms()
    newest = services.ledger.newest([who.site] if who.site else None, brief=True)
    documents = {site: msgspec.json.decode(stored.document) for site, stored in newest.items() if site in known}
    outages = services.ledger.newest_outages([site for site, document in documents.items() if _on_pack(document)])
    for site, document in documents.items():
        age_s = _since_s(newest[site].issued_ms, now_ms)
        yield _gauge("outlast_forecast_age_seconds", "Age of the newest forecast.", site, age_s)
        yield from _remaining(site, document)
        yield from _pack(site, document)
        yield from _standing(site, document, age_s, outages.get(site))


def _sums(services: Services, known: set[str]) -> Iterator[Count]:
    """How many sites there are, how many have a forecast, and the age of the oldest of these."""
    issued = {site: at_ms for site, at_ms in services.ledger.issued().items() if site in known}
    forecast = {"yes": len(issued), "no": len(known) - len(issued)}
    for has, number in forecast.items():
        yield Count("outlast_sites", "gauge", "Sites, with a forecast or not yet.", number, (("forecast", has),))
    oldest_s = _since_s(min(issued.values()), services.clock.now_ms()) if issued else None
    said = "Age of the newest forecast of the site whose forecast is the oldest."
    yield Count("outlast_oldest_forecast_age_seconds", "gauge", said, oldest_s)


def alarm_counts(services: Services, who: Principal) -> Iterator[Count]:
    """The number of open alarms by kind, priority and state, and by site where sites have gauges of their own."""
    of_each = services.installation.http.site_metrics
    standing = Counter(
        (*((alarm.site,) if of_each else ()), alarm.kind.value, alarm.priority.value, alarm.state.value)
        for alarm in services.ledger.alarms(who.site, OPEN, limit=100_000)
        if who.may_read(alarm.site)
    )
    names = (*(("site",) if of_each else ()), "kind", "priority", "state")
    for values, number in sorted(standing.items()):
        labels = tuple(zip(names, values, strict=True))
        yield Count("outlast_alarms", "gauge", "Alarms that stand or are shelved.", float(number), labels)


def _remaining(site: str, document: Mapping[str, Any]) -> Iterator[Count]:
    hours = document.get("hours_remaining") or {}
    for level in LEVELS:
        left_h = _number(hours.get(f"p{level[2:]}"))
        left_s = None if left_h is None else left_h * 3600.0
        said = "Hours until the pack reaches the reserve floor."
        yield _gauge("outlast_hours_remaining", said, site, left_h, ("quantile", level))
        said = "Time until the pack reaches the reserve floor, by the chance that it is shorter."
        yield _gauge("outlast_time_remaining_seconds", said, site, left_s, ("chance", level))


def _pack(site: str, document: Mapping[str, Any]) -> Iterator[Count]:
    charge = _number(document.get("charge_percent"))
    ratio = None if charge is None else charge / 100.0
    yield _gauge("outlast_pack_charge_percent", "Charge of the pack.", site, charge)
    yield _gauge("outlast_pack_charge_ratio", "Charge of the pack, 0 to 1.", site, ratio)


def _on_pack(document: Mapping[str, Any]) -> bool:
    return bool(document.get("supply") == Supply.PACK.value)


def _standing(site: str, document: Mapping[str, Any], issued_s: float, outage: Outage | None) -> Iterator[Count]:
    """Gauges of supply and basis, the age of the data, and since when the pack carries the pump."""
    supply, basis, age_s = document.get("supply"), document.get("basis"), _number(document.get("data_age_s"))
    on_pack = _on_pack(document)
    yield _gauge("outlast_on_pack", "Whether the pack carries the pump.", site, float(on_pack))
    for one in Supply:
        holds = float(supply == one.value)
        yield _gauge("outlast_supply", "Who carries the pump: 1 for that one.", site, holds, ("supply", one.value))
    for kind in Basis:
        holds, said = float(basis == kind.value), "What the forecast rests on: 1 for that."
        yield _gauge("outlast_forecast_basis", said, site, holds, ("basis", kind.value))
    heard_s = None if age_s is None else age_s + issued_s
    yield _gauge("outlast_data_age_seconds", "Age of the newest reading of the house itself.", site, heard_s)
    if on_pack:
        began_s = None if outage is None or outage.end_ms is not None else outage.start_ms / 1000.0
        yield _gauge("outlast_outage_start_timestamp_seconds", "When the outage that lasts began.", site, began_s)


def _gauge(name: str, help_text: str, site: str, value: float | None, *more: tuple[str, str]) -> Count:
    return Count(name, "gauge", help_text, value, (("site", site), *more))


def _since_s(at_ms: int, now_ms: int) -> float:
    return max(0.0, (now_ms - at_ms) / 1000.0)


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None
