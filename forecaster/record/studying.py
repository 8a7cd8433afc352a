"""A study of a site's long record: its days added up and kept, and a dated record left of it."""

from __future__ import annotations

import msgspec

from forecaster.domain.longrecord import StudyRecord
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS
from forecaster.record.daily import ANEW, fresh_days, late_days
from forecaster.record.reader import Record

STEP_MS = 30 * DAY_MS
"""Days are kept after each such step: a study that is ended half-way goes on from there [ms]."""


def add_up_days(site: Site, store: ReadingStore, ledger: Ledger, now_ms: int) -> int:
    """Bring the daily table up to the last day that is over; how many days were added up."""
    newest = ledger.newest_day(site.id)
    late = [] if newest is None else late_days(site, store, ledger, newest)
    ledger.save_days(late)
    reached_ms = Record(site, store, ledger).first_ms(now_ms) if newest is None else newest
    if reached_ms is None:
        return 0
    added = len(late)
    while True:
        reached_ms = min(now_ms, reached_ms + STEP_MS + ANEW * DAY_MS)
        days = fresh_days(site, store, ledger, reached_ms)
        ledger.save_days(days)
        added += len(days)
        if reached_ms == now_ms:
            return added


def study_days(site: Site, store: ReadingStore, ledger: Ledger, now_ms: int) -> StudyRecord:
    """Add up a site's days, and leave a record of when that was done. Errors: StoreError, and what a day may fail with.

    The document: `added`, how many days were added up this time, and `newest`, when the newest kept day began [ms].
    """
    added = add_up_days(site, store, ledger, now_ms)
    newest = ledger.newest_day(site.id)
    document = msgspec.json.encode({"added": added, "newest_ms": newest}).decode()
    record = StudyRecord(site.id, "days", now_ms, now_ms, document)
    ledger.save_study(record)
    return record
