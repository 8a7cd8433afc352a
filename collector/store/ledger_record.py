"""The long record: days, work done, and what studies made of them. Nothing here is ever pruned."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection, delete, func, select, update

from collector.store import ledger_schema as t
from collector.store.bodies import body, read
from collector.store.ledger_base import LedgerBase
from forecaster.domain.longrecord import Day, StudyRecord, WorkDone


class LongRecord(LedgerBase):
    """The part of the Ledger port that keeps the long record."""

    def save_days(self, days: Sequence[Day]) -> None:
        """Keep days; each replaces an earlier version of the same day."""
        rows = [(d.pump, {"site": d.site, "day": d.day, "start_ms": d.start_ms, "body": body(d)}) for d in days]

        def work(connection: Connection) -> None:
            self._put(connection, t.days, [row for pump, row in rows if not pump])
            self._put(connection, t.pump_days, [{"pump": pump, **row} for pump, row in rows if pump])

        self._write(work)

    def days(self, site: str, start_ms: int, end_ms: int, pump: str = "") -> list[Day]:
        """Days that begin in [start_ms, end_ms), oldest first; pump : the second one's name, for its days."""
        d = t.pump_days.c if pump else t.days.c
        query = select(d.body).where(d.site == site, d.start_ms >= start_ms, d.start_ms < end_ms).order_by(d.start_ms)
        if pump:
            query = query.where(t.pump_days.c.pump == pump)
        return [read(row["body"], Day) for row in self._rows(query)]

    def newest_day(self, site: str) -> int | None:
        """When the newest kept day of a site began [ms]; None where none is kept."""
        newest = select(func.max(t.days.c.start_ms).label("start_ms")).where(t.days.c.site == site)
        start_ms = self._rows(newest)[0]["start_ms"]
        return None if start_ms is None else int(start_ms)

    def save_work(self, work: WorkDone) -> None:
        """Keep work done."""
        row = {"id": work.id, "site": work.site, "at_ms": work.at_ms, "body": body(work)}
        self._write(lambda c: self._put(c, t.work, [row]))

    def drop_work(self, site: str, work_id: str) -> bool:
        """Delete work that was recorded by mistake. Returns whether there was any."""
        statement = delete(t.work).where(t.work.c.site == site, t.work.c.id == work_id)
        return self._write(lambda c: c.execute(statement).rowcount) > 0

    def work(self, site: str) -> list[WorkDone]:
        """Work done at a site, newest first."""
        w = t.work.c
        query = select(w.body).where(w.site == site).order_by(w.at_ms.desc(), w.id)
        return [read(row["body"], WorkDone) for row in self._rows(query)]

    def save_study(self, study: StudyRecord) -> None:
        """Keep the newest result of a study."""
        row = {name: getattr(study, name) for name in StudyRecord.__dataclass_fields__}
        self._write(lambda c: self._put(c, t.studies, [row]))

    def fail_study(self, site: str, kind: str, problem: str) -> None:
        """Record why the newest attempt at a study failed. The last good result stays; without one "{}" of time 0."""
        s = t.studies.c
        said = update(t.studies).where(s.site == site, s.kind == kind).values(problem=problem)
        first = {"site": site, "kind": kind, "as_of_ms": 0, "made_ms": 0, "document": "{}", "problem": problem}

        def work(connection: Connection) -> None:
            if connection.execute(said).rowcount == 0:
                self._put(connection, t.studies, [first])

        self._write(work)

    def study(self, site: str, kind: str) -> StudyRecord | None:
        """The newest good result of a study, with why a later attempt failed."""
        s = t.studies.c
        rows = self._rows(select(t.studies).where(s.site == site, s.kind == kind))
        return StudyRecord(**rows[0]) if rows else None

    def studied(self, kind: str) -> dict[str, int]:
        """When the newest good result of a study was made [ms], by site."""
        s = t.studies.c
        return dict(self._pairs(select(s.site, s.made_ms).where(s.kind == kind)))
