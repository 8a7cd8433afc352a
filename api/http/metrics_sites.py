"""The newest forecast of each site as gauges. An installation with thousands of sites may switch them off."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import msgspec

from api.http.security import Principal
from api.process.services import Services
from forecaster.domain.counts import Count
from forecaster.domain.forecast import Basis
from forecaster.domain.runs import Supply

LEVELS = ("0.10", "0.50", "0.90")


def site_counts(services: Services, who: Principal) -> Iterator[Count]:
    """Gauges of the sites that the asker may see; none where `[http] site_metrics` is false."""
    if not services.installation.http.site_metrics:
        return
    now_ms = services.clock.now_ms()
    newest = services.ledger.newest([who.site] if who.site else None, brief=True)
    for site, stored in newest.items():
        if site in services.installation.sites and who.may_read(site):
            age_s = _since_s(stored.issued_ms, now_ms)
            document = msgspec.json.decode(stored.document)
            yield _gauge("outlast_forecast_age_seconds", "Age of the newest forecast.", site, age_s)
            yield from _remaining(site, document)
            yield from _pack(site, document)
            yield from _standing(services, site, document, age_s)


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


def _standing(services: Services, site: str, document: Mapping[str, Any], issued_s: float) -> Iterator[Count]:
    """Gauges of supply and basis, the age of the data, and since when the pack carries the pump."""
    supply, basis, age_s = document.get("supply"), document.get("basis"), _number(document.get("data_age_s"))
    on_pack = supply == Supply.PACK.value
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
        outage = next(iter(services.ledger.outages(site, limit=1)), None)
        began_s = None if outage is None or outage.end_ms is not None else outage.start_ms / 1000.0
        yield _gauge("outlast_outage_start_timestamp_seconds", "When the outage that lasts began.", site, began_s)


def _gauge(name: str, help_text: str, site: str, value: float | None, *more: tuple[str, str]) -> Count:
    return Count(name, "gauge", help_text, value, (("site", site), *more))


def _since_s(at_ms: int, now_ms: int) -> float:
    return max(0.0, (now_ms - at_ms) / 1000.0)


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None
