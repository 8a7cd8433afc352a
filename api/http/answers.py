"""Domain values as the JSON of the interface. NaN and infinities always become null."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
from fastapi import Response

from forecaster.domain.alarms import STANDING, Alarm
from forecaster.domain.quantities import SPECS, Quantity
from forecaster.domain.readings import Reading, SeriesPoint
from forecaster.domain.records import Notice, StoredForecast
from forecaster.domain.runs import Outage, Run
from forecaster.domain.site import Channel, Site
from forecaster.engine.changes import EndShift
from forecaster.engine.document import time_text


def json_response(value: Any, status: int = 200) -> Response:
    """A value as a JSON response; msgspec writes NaN and infinities as null."""
    return Response(msgspec.json.encode(value), status_code=status, media_type="application/json")


def _time(at_ms: int | None) -> str | None:
    return None if at_ms is None else time_text(at_ms)


def run_out(run: Run) -> dict[str, Any]:
    """A run as JSON."""
    return {
        "start": time_text(run.start_ms),
        "stop": time_text(run.stop_ms),
        "run_s": run.run_s,
        "energy_wh": run.energy_wh,
        "power_w": run.power_w,
        "peak_w": run.peak_w,
        "supply": run.supply.value,
        "source": run.source.value,
        "samples": run.samples,
        "measured": run.measured,
        "clipped": run.clipped,
    }


def point_out(point: SeriesPoint) -> dict[str, Any]:
    """A bucket of a series as JSON."""
    return {
        "time": time_text(point.time_ms),
        "count": point.count,
        "low": point.low,
        "high": point.high,
        "mean": point.mean,
    }


def reading_out(reading: Reading) -> dict[str, Any]:
    """A reading as JSON, as the stream tells it."""
    return {
        "site": reading.site,
        "quantity": reading.quantity.value,
        "subject": reading.subject,
        "time": time_text(reading.time_ms),
        "value": reading.value,
        "unit": SPECS[reading.quantity].unit,
    }


def outage_out(outage: Outage) -> dict[str, Any]:
    """An outage as JSON; `id` opens its story."""
    return {
        "id": str(outage.start_ms),
        "start": time_text(outage.start_ms),
        "end": _time(outage.end_ms),
        "inferred": outage.inferred,
        "rehearsal": outage.rehearsal,
        "start_charge_percent": outage.start_charge_percent,
        "lowest_charge_percent": outage.lowest_charge_percent,
        "energy_used_wh": outage.energy_used_wh,
        "reached_reserve": _time(outage.reached_reserve_ms),
        "forecast_h": outage.forecast_h,
    }


def notice_out(notice: Notice, *, names: bool) -> dict[str, Any]:
    """Who was told, over which channel, when, and what became of it; the name and the reason only where asked for."""
    return {
        "who": notice.who if names else None,
        "channel": notice.channel,
        "at": time_text(notice.at_ms),
        "outcome": notice.outcome.value,
        "reason": notice.reason if names else None,
        "revision": notice.revision,
    }


def alarm_out(alarm: Alarm, *, names: bool = False) -> dict[str, Any]:
    """An alarm as JSON; the names of people only where asked for, because hubs and readers get this too."""
    return {
        "id": alarm.id,
        "site": alarm.site,
        "kind": alarm.kind.value,
        "priority": alarm.priority.value,
        "state": alarm.state.value,
        "raised": time_text(alarm.raised_ms),
        "changed": time_text(alarm.changed_ms),
        "cleared": _time(alarm.cleared_ms),
        "acknowledged": _time(alarm.acknowledged_ms),
        "acknowledged_by": alarm.acknowledged_by if names else None,
        "shelved_until": _time(alarm.shelved_until_ms),
        "shelved_by": alarm.shelved_by if names else None,
        "by": _time(alarm.by_ms),
        "headline": alarm.headline,
        "action": alarm.action,
        "consequence": alarm.consequence,
        "revision": alarm.revision,
    }


def forecast_document(stored: StoredForecast | None) -> dict[str, Any] | None:
    """A published document as a dictionary."""
    if stored is None:
        return None
    document: dict[str, Any] = msgspec.json.decode(stored.document)
    return document


def shift_out(site: str, shift: EndShift) -> dict[str, Any]:
    """How far the end moved, and what moved it, as JSON; hours to a hundredth."""
    parts = ("middle_h", "early_h", "inflow_h", "charge_h", "loads_h", "doubt_h")
    moved = {name: round(getattr(shift, name), 2) + 0.0 for name in parts}
    return {"site": site, "since": time_text(shift.since_ms), "until": time_text(shift.until_ms), **moved}


def summary_out(site: Site, document: dict[str, Any] | None, alarms: Sequence[Alarm]) -> dict[str, Any]:
    """A line of the list of sites; survival and drain path are left out."""
    standing = [a for a in alarms if a.state in STANDING]
    highest = max(standing, key=lambda a: a.priority.rank, default=None)
    if document is not None:
        document = {**document, "survival": [], "drain_path": []}
    return {
        "id": site.id,
        "name": site.name,
        "timezone": site.timezone,
        "units": site.units.value,
        "groups": list(site.groups),
        "open_alarms": len(standing),
        "highest_priority": None if highest is None else highest.priority.value,
        "forecast": document,
    }


def soonest_first(line: Mapping[str, Any]) -> tuple[bool, float, str]:
    """Sort key of the list of sites: on the pack first, soonest out first, then those not known."""
    forecast = line["forecast"] or {}
    hours = (forecast.get("hours_remaining") or {}).get("p10")
    return (forecast.get("supply") != "pack", float("inf") if hours is None else hours, line["id"])


def channel_out(channel: Channel, latest: Reading | None, now_ms: int) -> dict[str, Any]:
    """A channel with its latest value and the value's age."""
    return {
        "quantity": channel.quantity.value,
        "subject": channel.of,
        "topic": channel.topic,
        "unit": SPECS[channel.quantity].unit,
        "value": None if latest is None else latest.value,
        "time": None if latest is None else time_text(latest.time_ms),
        "age_s": None if latest is None else (now_ms - latest.time_ms) / 1000.0,
    }


def site_out(
    site: Site,
    latest: Mapping[tuple[Quantity, str], Reading],
    document: dict[str, Any] | None,
    now_ms: int,
) -> dict[str, Any]:
    """A whole site without its contacts and its weather address."""
    whole = msgspec.to_builtins(site)
    return {
        **{key: whole[key] for key in ("id", "name", "timezone", "units", "pump", "pit", "pack", "loads")},
        "packs": whole["packs"],
        "pumps": whole["pumps"],
        "pack_arrangement": whole["arrangement"],
        "channels": [channel_out(c, latest.get((c.quantity, c.of)), now_ms) for c in site.channels],
        "forecast": document,
        "away": None if site.away is None else {"from": site.away.first, "until": site.away.last},
        "paused_until": site.paused_until,
    }
