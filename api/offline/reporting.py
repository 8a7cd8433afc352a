"""The report of a site over a span of time: outages, rehearsals, pump health, and how good the forecasts were."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import msgspec

from api.http.answers import outage_out
from api.http.rehearsal_answers import rehearsal_out
from forecaster.discharge import due_after_ms
from forecaster.discharge.said import result_said
from forecaster.discharge.years import Years, compared
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Outage
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS
from forecaster.engine.document import time_text
from forecaster.health.pump import PumpHealth, examine, with_study
from forecaster.health.told import HEALTH, parts_told
from forecaster.outage.runs import all_runs
from forecaster.outage.story import outages_told
from forecaster.texts.catalogue import Said, Words, words

LEVEL_SPAN_MS = 2 * 86_400_000


@dataclass(frozen=True, slots=True)
class Accuracy:
    """The forecasts made one hour into each failure, compared with what happened.

    reached : failures that reached the reserve floor; held : those of them within the 10 to 90 % range
    median_error : float | None — error of the median as a share of the true hours
    censored, contradicted : failures ended by the mains; those of them that outlasted the 90 % point
    """

    reached: int
    held: int
    median_error: float | None
    censored: int
    contradicted: int


@dataclass(frozen=True, slots=True)
class SiteReport:
    """A readable summary of a site."""

    site: Site
    start_ms: int
    end_ms: int
    outages: tuple[Outage, ...]
    tests: tuple[DischargeTest, ...]
    test_due_ms: int | None
    years: Years | None
    health: PumpHealth
    accuracy: Accuracy


def accuracy(outages: Sequence[Outage]) -> Accuracy:
    """Compare the forecasts made one hour in with what happened; shorter failures are left out."""
    held, errors, censored, contradicted = 0, [], 0, 0
    for outage in outages:
        if outage.forecast_h is None or outage.rehearsal:
            continue
        low, middle, high = outage.forecast_h
        asked_ms = outage.start_ms + HOUR_MS
        if outage.reached_reserve_ms is not None and outage.reached_reserve_ms > asked_ms:
            came_h = (outage.reached_reserve_ms - asked_ms) / HOUR_MS
            held += low <= came_h <= high
            errors.append(abs(middle / came_h - 1.0))
        elif outage.reached_reserve_ms is None and outage.end_ms is not None and outage.end_ms > asked_ms:
            censored += 1
            contradicted += (outage.end_ms - asked_ms) / HOUR_MS > high
    middle_error = sorted(errors)[len(errors) // 2] if errors else None
    return Accuracy(len(errors), held, middle_error, censored, contradicted)


def report_of(store: ReadingStore, ledger: Ledger, site: Site, start_ms: int, end_ms: int) -> SiteReport:
    """The report of a site over [start_ms, end_ms)."""
    outages = tuple(outages_told(store, ledger, site, end_ms, 2000, start_ms, end_ms))
    every_test = ledger.tests(site.id)
    level: list[tuple[int, float]] = []
    if site.has(Quantity.WATER_LEVEL):
        points = store.series(site.id, Quantity.WATER_LEVEL, end_ms - LEVEL_SPAN_MS, end_ms)
        level = [(point.time_ms, point.mean) for point in points]
    return SiteReport(
        site=site,
        start_ms=start_ms,
        end_ms=end_ms,
        outages=outages,
        tests=tuple(every_test),
        test_due_ms=due_after_ms(site, every_test),
        years=compared(site, every_test, ledger.work(site.id), end_ms),
        health=with_study(
            examine(all_runs(ledger, site.id, start_ms, end_ms), level), parts_told(ledger.study(site.id, HEALTH))
        ),
        accuracy=accuracy(outages),
    )


def document(report: SiteReport) -> dict[str, Any]:
    """The report as JSON, without NaN and without the names of people, because reports are passed on."""
    return {
        "site": report.site.id,
        "from": time_text(report.start_ms),
        "to": time_text(report.end_ms),
        "outages": [outage_out(outage) for outage in report.outages],
        "discharge_tests": [rehearsal_out(test, None, names=False) for test in report.tests],
        "test_due": None if report.test_due_ms is None else time_text(report.test_due_ms),
        "tests_over_years": None if report.years is None else report.years.document(),
        "pump": msgspec.to_builtins(report.health),
        "forecast_accuracy": msgspec.to_builtins(report.accuracy),
    }


def told(report: SiteReport, said_in: Words | None = None) -> str:
    """The report as text, in a language; English where none is named."""
    said_in = words() if said_in is None else said_in
    parts = [
        Said("report.to", site=report.site.name, day=_day(report.start_ms), day_2=_day(report.end_ms)),
        "",
        *_outages(report.outages),
        "",
        *_tests(report, said_in),
        "",
        *_pump(report.health),
        "",
        *_forecasts(report.accuracy),
    ]
    return "\n".join(map(said_in.again, parts))


def _day(at_ms: int) -> str:
    return time_text(at_ms)[:10]


def _outages(outages: Sequence[Outage]) -> list[str]:
    failures = [o for o in outages if not o.rehearsal]
    if not failures:
        return [Said("report.outages_none")]
    lines: list[str] = [Said("report.outages", count=len(failures))]
    for outage in failures:
        lasted = (
            Said("report.still_lasting")
            if outage.end_ms is None
            else Said("report.lasted", hours=(outage.end_ms - outage.start_ms) / HOUR_MS)
        )
        low = outage.lowest_charge_percent
        charge = "" if low is None else Said("report.down_to", low=low)
        floor = Said("report.reached_the_reserve_floor") if outage.reached_reserve_ms is not None else ""
        lines.append(Said("report.outage", at=time_text(outage.start_ms), lasted=lasted, charge=charge, floor=floor))
    return lines


def _tests(report: SiteReport, said_in: Words) -> list[str]:
    done = [test for test in report.tests if test.result is not None]
    if not done:
        return [Said("report.discharge_tests_none_yet_outlast_discharge")]
    lines: list[str] = [Said("report.discharge_tests", count=len(done))]
    for test in done:
        assert test.result is not None
        verdict = result_said(test.result, said_in).verdict
        lines.append(Said("report.test", day=_day(test.started_ms), verdict=verdict))
    if report.years is not None:
        lines.append(f"  {said_in.again(report.years.says)}")
    if report.test_due_ms is not None:
        lines.append(Said("report.the_next_one_is_due_by", day=_day(report.test_due_ms)))
    return lines


def _pump(health: PumpHealth) -> list[str]:
    if not health.runs:
        return [Said("report.pump_no_run_was_seen")]
    length = Said("report.run_length", run_s=health.run_s) if health.run_s is not None else ""
    watts = Said("report.run_watts", watts=health.running_w) if health.running_w is not None else ""
    runs = Said("report.pump_runs_in_days", runs=health.runs, days=health.days, length=length, watts=watts)
    lines: list[str] = [runs]
    if health.flow is not None:
        lines.append(
            Said("report.flow_changed_by_to", change=health.flow.change, low=health.flow.low, high=health.flow.high)
        )
    lines += [Said("report.finding", says=finding.says, fix=finding.action) for finding in health.findings]
    return lines if health.findings else [*lines, Said("report.nothing_to_look_at")]


def _forecasts(found: Accuracy) -> list[str]:
    if not found.reached and not found.censored:
        return [Said("report.forecasts_no_outage_was_long_enough")]
    lines: list[str] = []
    if found.reached:
        error = "" if found.median_error is None else Said("report.the_middle_off_by", median_error=found.median_error)
        lines.append(
            Said("report.forecasts_of_outages_ended_inside_the", held=found.held, reached=found.reached, error=error)
        )
    if found.censored:
        kept = found.censored - found.contradicted
        lines.append(Said("report.outages_that_the_mains_ended_of", kept=kept, censored=found.censored))
    return lines
