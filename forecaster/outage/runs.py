"""The runs of the pump over a long span, read from the ledger page by page."""

from __future__ import annotations

from forecaster.domain.ports import Ledger
from forecaster.domain.runs import Run

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
