"""The study of a site's health: every part judged from the long record, left in the ledger as a dated document."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import msgspec
import pandas as pd

from forecaster.domain.longrecord import HousePart, StudyRecord, WorkDone
from forecaster.domain.ports import Ledger
from forecaster.domain.site import Pit, Site
from forecaster.engine.document import time_text
from forecaster.health.floats import float_switch
from forecaster.health.hearing import telemetry
from forecaster.health.helped import helped
from forecaster.health.judged import PartHealth, quantiles
from forecaster.health.moving import flow_and_line, power
from forecaster.health.packs import capacity, losses
from forecaster.health.told import HEALTH
from forecaster.health.valve import check_valve
from forecaster.record.frames import days_frame
from forecaster.texts.catalogue import Said, coded

REFUSALS = 200
OUTAGES = 100_000


def study_health(site: Site, ledger: Ledger, now_ms: int) -> StudyRecord:
    """Judge every part of a site as its daily table, tests, outages and work done tell by now, and keep that.

    Errors: StoreError, and what a study may fail with.
    """
    document = health_document(site, ledger, now_ms)
    record = StudyRecord(site.id, HEALTH, now_ms, now_ms, msgspec.json.encode(document).decode())
    ledger.save_study(record)
    return record


def health_document(site: Site, ledger: Ledger, now_ms: int) -> dict[str, Any]:
    """The document of GET /health as the study keeps it: with the codes of its words, without storm and season."""
    done = [work for work in reversed(ledger.work(site.id)) if work.at_ms <= now_ms]
    parts = judge(site, ledger, done, now_ms)
    return {
        "site": site.id,
        "as_of": time_text(now_ms),
        "parts": [part.document() for part in parts],
        "work": _work(site, ledger, done, now_ms),
    }


def judge(site: Site, ledger: Ledger, done: Sequence[WorkDone], now_ms: int) -> tuple[PartHealth, ...]:
    """Every part, in the order of HousePart, then those of a second pump. done : work, oldest first."""
    table = days_frame(ledger.days(site.id, 0, now_ms))
    tests, outages = ledger.tests(site.id), ledger.outages(site.id, OUTAGES)
    second = site.second_pump
    own: tuple[PartHealth, ...] = ()
    if second is not None:
        of_second = days_frame(ledger.days(site.id, 0, now_ms, second.id))
        there = replace(site, pit=Pit())  # between its floats another drawdown, which nobody has told
        own = parts_of_pump(there, of_second, [work for work in done if work.pump == second.id], second.id)
    first = "" if second is None else site.pumps[0].id
    return (
        *parts_of_pump(site, table, [work for work in done if not work.pump], first),
        capacity(site, tests, outages, begun_ms(HousePart.PACK_CAPACITY, done), now_ms),
        losses(tests, begun_ms(HousePart.PACK_LOSSES, done)),
        telemetry(table, ledger.refusals(site.id, REFUSALS), now_ms),
        *own,
    )


def parts_of_pump(site: Site, table: pd.DataFrame, done: Sequence[WorkDone], pump: str) -> tuple[PartHealth, ...]:
    """The parts of one pump, by its own daily table and the work on it, oldest first; pump : its name, where there are
    two."""

    def since(part: HousePart) -> pd.DataFrame:
        kept: pd.DataFrame = table[_index_ms(table) >= begun_ms(part, done)]
        return kept

    flow, line = flow_and_line(site, since(HousePart.PUMP_FLOW))
    if begun_ms(HousePart.DISCHARGE_LINE, done) != begun_ms(HousePart.PUMP_FLOW, done):
        line = flow_and_line(site, since(HousePart.DISCHARGE_LINE))[1]
    found = (
        flow,
        power(since(HousePart.PUMP_POWER)),
        float_switch(since(HousePart.FLOAT)),
        check_valve(since(HousePart.CHECK_VALVE)),
        line,
    )
    return tuple(replace(part, pump=pump) for part in found)


def begun_ms(part: HousePart, done: Iterable[WorkDone]) -> int:
    """When the newest work on a part was done: its baseline begins there; 0: from the beginning."""
    return max((work.at_ms for work in done if part in work.concerns), default=0)


def _index_ms(table: Any) -> Any:
    return table.index.as_unit("ms").asi8


def _work(site: Site, ledger: Ledger, done: Sequence[WorkDone], now_ms: int) -> list[dict[str, Any]]:
    """Work done, newest first, each with whether it helped."""
    pumps = {work.pump for work in done}
    tables = {pump: days_frame(ledger.days(site.id, 0, now_ms, pump)) for pump in pumps}
    tests, outages = ledger.tests(site.id), ledger.outages(site.id, OUTAGES)
    rows = []
    for number, work in enumerate(done):
        part = work.concerns[0] if work.concerns else None
        earlier = [other for other in done[:number] if other.pump == work.pump]
        before_ms, table = 0 if part is None else begun_ms(part, earlier), tables[work.pump]
        gain = helped(site, work, before_ms, table, tests, outages)
        said: str = work.did or Said(f"work.did-{work.kind}")
        rows.append({
            "at": time_text(work.at_ms), "part": None if part is None else part.value,
            **({"pump": work.pump} if work.pump else {}), "did": str(said),
            "helped": None if gain is None else quantiles(gain), "codes": {"did": coded(said)},
        })  # fmt: skip
    return rows[::-1]
