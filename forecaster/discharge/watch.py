"""A running rehearsal: its progress and certainty, when it ends, and when the next one is due."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from forecaster.discharge.analysis import analyse
from forecaster.discharge.evidence import DischargeEvidence
from forecaster.domain.discharge import DischargeTest, EndReason
from forecaster.domain.errors import UsageError
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS
from forecaster.texts.catalogue import Figure, Said

SEASON_DAYS = 365
BEFORE_WET_DAYS = 200
"""Rehearse at least yearly, and before the wet season. Common advice of the trade."""

WET_MONTHS_NORTH, WET_MONTHS_SOUTH = (2, 3, 4), (8, 9, 10)
"""Months before and at the start of the wet half of the year; in the tropics only the yearly rule applies."""

ENOUGH_PERCENT, ENOUGH_H = 5.0, 0.5
"""A time on the pack shorter or shallower than this is not taken as a rehearsal."""


@dataclass(frozen=True, slots=True)
class Progress:
    """The progress of a rehearsal, and the certainty of its result so far.

    share : float | None — share of the way to its planned end, 0..1; None without a planned end
    sureness : float | None — half width of the range of hours over its median; None before any charge was used
    says : str — one line
    """

    on_pack: bool
    used_percent: float
    elapsed_h: float
    share: float | None
    hours_full_to_reserve: tuple[float, float, float] | None
    sureness: float | None
    says: str


def check_plan(site: Site, until_percent: float | None, until_ms: int | None, now_ms: int) -> None:
    """UsageError where a test would end below the reserve floor, above full, or in the past."""
    reserve = site.pack.reserve_percent
    if until_percent is not None and not reserve <= until_percent < 100.0:
        raise UsageError(
            Said("usage.until_percent_is_outside_to_100", until_percent=until_percent, reserve=reserve),
            Said("usage.end_at_or_above_the_reserve", reserve=reserve),
        )
    if until_ms is not None and until_ms <= now_ms:
        raise UsageError(Said("usage.until_it_is_in_the_past"), Said("usage.give_a_time_to_come"))


def finish_reason(
    test: DischargeTest, site: Site, now_ms: int, charge_percent: float | None, back_on_mains: bool
) -> EndReason | None:
    """Whether a running test ends now, and why; the reserve floor always ends it.

    back_on_mains : bool — the supply went to the pack since the start and has come back
    """
    if charge_percent is not None and charge_percent <= site.pack.reserve_percent:
        return EndReason.FLOOR
    if test.until_percent is not None and charge_percent is not None and charge_percent <= test.until_percent:
        return EndReason.CHARGE
    if test.until_ms is not None and now_ms >= test.until_ms:
        return EndReason.TIME
    return EndReason.MAINS_RETURN if back_on_mains else None


def progress(test: DischargeTest, evidence: DischargeEvidence | None, now_ms: int) -> Progress:
    """The progress of a running test. evidence None: still on mains, waiting for the plug to be pulled."""
    if evidence is None:
        return Progress(
            False,
            0.0,
            0.0,
            0.0,
            None,
            None,
            Said("rehearsal.waiting" if test.pulled_ms is None else "rehearsal.pulling"),
        )
    used, elapsed_h = evidence.used_percent, evidence.hours
    share = _share(test, evidence, now_ms)
    if used <= 0:
        return Progress(
            True, used, elapsed_h, share, None, None, Said("rehearsal.nothing_gone", hours=Figure(f"{elapsed_h:.1f}"))
        )
    result = analyse(evidence)
    low, middle, high = result.hours_full_to_reserve
    sure = (high - low) / (2.0 * middle)
    said = Said(
        "rehearsal.gone",
        used=Figure(f"{used:.0f}"),
        hours=Figure(f"{elapsed_h:.1f}"),
        low=Figure(f"{low:.1f}"),
        high=Figure(f"{high:.1f}"),
        sure=Figure(f"{sure:.0%}"),
    )
    return Progress(True, used, elapsed_h, share, result.hours_full_to_reserve, sure, said)


def _share(test: DischargeTest, evidence: DischargeEvidence, now_ms: int) -> float | None:
    shares = []
    if test.until_ms is not None and test.until_ms > evidence.start_ms:
        shares.append((now_ms - evidence.start_ms) / (test.until_ms - evidence.start_ms))
    if test.until_percent is not None and evidence.charge and evidence.charge[0][1] > test.until_percent:
        shares.append(evidence.used_percent / (evidence.charge[0][1] - test.until_percent))
    return min(1.0, max(0.0, *shares, 0.0)) if shares else None


def enough(evidence: DischargeEvidence) -> bool:
    """Whether an unannounced time on the pack is worth keeping as a rehearsal."""
    return evidence.hours >= ENOUGH_H and evidence.used_percent >= ENOUGH_PERCENT


def latest_result(tests: Sequence[DischargeTest]) -> DischargeTest | None:
    """The newest finished test that has a result; tests newest first."""
    return next((test for test in tests if test.result is not None), None)


def next_due_ms(site: Site, last_ms: int | None, installed_ms: int) -> int:
    """When the next rehearsal is due, UTC milliseconds: a year after the last, or before the wet season if nearer.

    last_ms : int | None — when the last one ended; installed_ms : when the site was first heard of
    """
    if last_ms is None:
        return installed_ms
    due_ms = last_ms + SEASON_DAYS * DAY_MS
    months = WET_MONTHS_SOUTH if site.latitude is not None and site.latitude < 0 else WET_MONTHS_NORTH
    for year in (0, 1):
        start = datetime.fromtimestamp(last_ms / 1000.0, UTC)
        wet_ms = int(datetime(start.year + year, months[0], 1, tzinfo=UTC).timestamp() * 1000)
        if wet_ms - last_ms >= BEFORE_WET_DAYS * DAY_MS:
            return min(due_ms, wet_ms)
    return due_ms


def due_after_ms(site: Site, tests: Sequence[DischargeTest]) -> int | None:
    """When the next rehearsal is due after those that came to a result [UTC ms]; None where none did yet."""
    ended = [test.finished_ms for test in tests if test.result is not None and test.finished_ms is not None]
    return next_due_ms(site, max(ended), 0) if ended else None
