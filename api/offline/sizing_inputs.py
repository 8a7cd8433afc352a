"""Inputs of a sizing beyond its question: packs described in other files, and what an installation has recorded."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from collector.config.site_file import site_from
from forecaster.domain.errors import ConfigError
from forecaster.domain.ports import Ledger
from forecaster.domain.runs import Run, Supply
from forecaster.domain.site import Arrangement, Pack, Site
from forecaster.domain.times import HOUR_MS
from forecaster.sizing.question import InflowRecord, ObservedStart
from forecaster.sizing.seasons import record_of
from forecaster.texts.catalogue import Said

RECORD_HOURS = 24 * 400
"""How much of the recorded inflow is read [h]."""

SEEN_OUTAGES = 20
"""In how many of the newest outages a start on the pack is looked for."""

_ANY_PUMP = {"rated_voltage_v": 120.0, "horsepower": 0.33}


def pack_from(content: Mapping[str, Any], file: str) -> Pack:
    """A pack from a site file, a file with a [pack] table alone, or such a table. ConfigError naming the key.

    Packs that each feed a pump of their own are not one pack.
    """
    if content.get("pack_arrangement") == Arrangement.ONE_A_PUMP:
        problem, fix = Said("config.packs_of_two_pumps"), Said("config.name_a_file_of_one_pack")
        raise ConfigError(file, "pack_arrangement", problem, fix)
    several = {key: content[key] for key in ("packs", "pack_arrangement") if key in content}
    given = several if "packs" in several else {"pack": content.get("pack", content)}
    whole = {"id": "pack", "name": "pack", "timezone": "UTC", "pump": _ANY_PUMP, **given}
    return site_from(whole, file, measured=False).pack


def site_of(content: Mapping[str, Any], file: str, *, pump: bool) -> Site:
    """A site from the content of a site file; what a sizing does not need may be left out. ConfigError."""
    least: dict[str, Any] = {"id": "sizing", "name": "sizing", "timezone": "UTC"}
    if not pump and "pumps" not in content:
        least["pump"] = _ANY_PUMP
    return site_from({**least, **content}, file, measured=False)


def record(ledger: Ledger, site: Site, now_ms: int) -> InflowRecord | None:
    """What the site's own pump has used by the hour over the last year; None where that is under two days."""
    end_ms = now_ms // HOUR_MS * HOUR_MS
    start_ms = end_ms - RECORD_HOURS * HOUR_MS
    return record_of(ledger.run_totals(site.id, start_ms, end_ms, RECORD_HOURS), site.pump)


def observed_start(ledger: Ledger, site_id: str) -> ObservedStart | None:
    """Whether the pump was seen to start on the pack: by the newest rehearsal, else by a run during an outage."""
    for test in ledger.tests(site_id):
        if test.result is not None and test.result.started_pump is not None:
            result = test.result
            return ObservedStart(result.started_pump is True, None, result.run_s, result.power_pinned)
    run = _run_on_pack(ledger, site_id)
    return None if run is None else ObservedStart(True, run.power_w, run.run_s, run.clipped)


def _run_on_pack(ledger: Ledger, site_id: str) -> Run | None:
    for outage in ledger.outages(site_id, SEEN_OUTAGES):
        end_ms = outage.end_ms if outage.end_ms is not None else outage.start_ms + 24 * HOUR_MS
        for run in ledger.runs(site_id, outage.start_ms, end_ms, 20).runs:
            if run.supply is Supply.PACK and run.measured and not outage.inferred:
                return run
    return None


def sleeps(ledger: Ledger, site_id: str) -> bool | None:
    """Whether the output fell asleep between runs, by the newest rehearsal that could tell."""
    for test in ledger.tests(site_id):
        if test.result is not None and test.result.sleeps_on_low_load is not None:
            return test.result.sleeps_on_low_load
    return None
