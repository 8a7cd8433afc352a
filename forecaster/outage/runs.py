"""The runs of the pump over a long span, read from the ledger page by page; and which pump is meant."""

from __future__ import annotations

from forecaster.domain.errors import UsageError
from forecaster.domain.ports import Ledger
from forecaster.domain.runs import Run
from forecaster.domain.site import Site
from forecaster.texts.catalogue import Said

MOST_RUNS = 200_000
"""Sixty starts an hour for four months and a half."""

PAGE = 5_000


def all_runs(ledger: Ledger, site: str, start_ms: int, end_ms: int, most: int = MOST_RUNS) -> list[Run]:
    """Runs in [start_ms, end_ms), oldest first; of more than `most` the newest."""
    found: list[Run] = []
    cursor: str | None = None
    while len(found) < most:
        page = ledger.runs(site, start_ms, end_ms, min(PAGE, most - len(found)), cursor)
        found += page.runs
        if page.cursor is None:
            break
        cursor = page.cursor
    return found[::-1]


def named_pump(site: Site, name: str) -> str:
    """A pump as the record names it: "" for the first or only one, whose name may be given too, else the second's.

    Errors: UsageError for a name that is none of theirs.
    """
    names = [pump.id for pump in site.pumps]
    if not name or name in names[:1]:
        return ""
    if name not in names:
        known = ", ".join(names)
        fix = Said("usage.name_some_of", names=known) if names else Said("usage.leave_the_pump_out")
        raise UsageError(Said("usage.no_pump", name=name), fix)
    return name
