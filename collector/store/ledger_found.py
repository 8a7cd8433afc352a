"""The forecaster's results: runs, outages, forecasts, discharge tests and checkpoints."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from sqlalchemy import Connection, and_, case, func, select, update

from collector.store import ledger_schema as t
from collector.store.bodies import body, brief_of, event_row, packed, read, unpacked
from collector.store.ledger_base import LedgerBase, cursor_ms
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.errors import StoreRefused
from forecaster.domain.records import Checkpoint, Page, RunTotals, StoredForecast
from forecaster.domain.runs import Event, Gap, Outage, Run
from forecaster.domain.times import DAY_MS
from forecaster.texts.catalogue import words

LONGEST_GAP_MS = 400 * DAY_MS
"""How far before a span gaps that reach into it are looked for [ms]."""

SITES_A_QUERY = 500
"""Sites that one query names at most: SQLite takes no more than some tens of thousands of values."""


class Findings(LedgerBase):
    """The part of the Ledger port that keeps these results."""

    def record(self, events: Iterable[Event]) -> None:
        """Runs, gaps, transfers and outages; idempotent by (site, start)."""
        rows = {(str(r["site"]), r["kind"], r["start_ms"], r["subject"]): r for r in map(event_row, events)}
        self._write(lambda c: self._put(c, t.events, list(rows.values())), {key[0] for key in rows})

    def runs(
        self, site: str, start_ms: int, end_ms: int, limit: int, cursor: str | None = None, pump: str = ""
    ) -> Page:
        """Runs that start in [start_ms, end_ms), newest first; pump : the second one's name, for its runs."""
        before = end_ms
        if cursor is not None:
            before = min(before, cursor_ms(cursor, cursor))
        e = t.events.c
        rows = self._rows(
            select(e.body, e.start_ms)
            .where(e.site == site, e.kind == "run", e.subject == pump, e.start_ms >= start_ms, e.start_ms < before)
            .order_by(e.start_ms.desc())
            .limit(limit + 1)
        )
        more = len(rows) > limit
        rows = rows[:limit]
        return Page(tuple(read(row["body"], Run) for row in rows), str(rows[-1]["start_ms"]) if more and rows else None)

    def runs_of(self, sites: Sequence[str], start_ms: int, end_ms: int) -> list[Run]:
        """Runs of some sites that start in [start_ms, end_ms), by site, oldest first; not those of a second pump."""
        e = t.events.c
        wanted = (
            e.site.in_(list(sites)),
            e.kind == "run",
            e.subject == "",
            e.start_ms >= start_ms,
            e.start_ms < end_ms,
        )
        rows = self._rows(select(e.body).where(*wanted).order_by(e.site, e.start_ms))
        return [read(row["body"], Run) for row in rows]

    def run_totals(self, site: str, start_ms: int, end_ms: int, points: int, pump: str = "") -> list[RunTotals]:
        """Runs that start in [start_ms, end_ms), in at most `points` equal buckets; empty ones left out.

        pump : the second one's name, for its runs
        """
        if points < 1:
            raise StoreRefused(words()("store.points_cannot_be_drawn_ask_for", points=points))
        width = max(1, -(-(end_ms - start_ms) // points))
        e = t.events.c
        place = ((e.start_ms - start_ms) // width).label("place")
        query = (
            select(
                place,
                func.count().label("count"),
                func.sum(e.length_s).label("total_s"),
                func.min(e.length_s).label("shortest_s"),
                func.max(e.length_s).label("longest_s"),
                func.sum(e.energy_wh).label("energy_wh"),
            )
            .where(e.site == site, e.kind == "run", e.subject == pump, e.start_ms >= start_ms, e.start_ms < end_ms)
            .group_by(place)
            .order_by(place)
        )
        return [RunTotals(start_ms + int(row.pop("place")) * width, **row) for row in self._rows(query)]

    def outages(self, site: str, limit: int = 200, start_ms: int = 0, end_ms: int = 2**53) -> list[Outage]:
        """Outages that start in [start_ms, end_ms), newest first."""
        e = t.events.c
        wanted = (e.site == site, e.kind == "outage", e.start_ms >= start_ms, e.start_ms < end_ms)
        query = select(e.body).where(*wanted).order_by(e.start_ms.desc()).limit(limit)
        return [read(row["body"], Outage) for row in self._rows(query)]

    def newest_outages(self, sites: Sequence[str]) -> dict[str, Outage]:
        """The outage of each of some sites that began last; sites without any are left out."""
        e, asked, found = t.events.c, list(sites), dict[str, Outage]()
        for first in range(0, len(asked), SITES_A_QUERY):
            outages = (e.kind == "outage", e.site.in_(asked[first : first + SITES_A_QUERY]))
            last = select(e.site, func.max(e.start_ms).label("start_ms")).where(*outages).group_by(e.site).subquery()
            newest = and_(e.site == last.c.site, e.start_ms == last.c.start_ms)
            rows = self._rows(select(e.body).join_from(t.events, last, newest).where(*outages))
            found |= {outage.site: outage for outage in (read(row["body"], Outage) for row in rows)}
        return found

    def transferred(self, sites: Sequence[str], since_ms: int) -> list[str]:
        """Which of these sites have had a change of the supply since a time, sorted."""
        e = t.events.c
        wanted = (e.site.in_(list(sites)), e.kind == "transfer", e.start_ms >= since_ms)
        return [row["site"] for row in self._rows(select(e.site).where(*wanted).distinct().order_by(e.site))]

    def gaps(self, site: str, start_ms: int, end_ms: int, pump: str = "") -> list[Gap]:
        """Spans in which a quantity was not heard and that overlap [start_ms, end_ms), oldest first.

        pump : the second one's name, for those of its own quantities
        """
        e = t.events.c
        query = (
            select(e.body)
            .where(e.site == site, e.kind == "gap", e.start_ms >= start_ms - LONGEST_GAP_MS, e.start_ms < end_ms)
            .order_by(e.start_ms, e.subject)
        )
        found = [read(row["body"], Gap) for row in self._rows(query)]
        return [gap for gap in found if gap.stop_ms > start_ms and gap.pump == pump]

    # -- forecasts

    def publish(self, forecasts: Sequence[StoredForecast]) -> None:
        """The newest forecast of each site, kept also as a past one where it says so."""
        newest = {f.site: f for f in sorted(forecasts, key=lambda f: f.issued_ms)}
        rows = [
            {"site": f.site, "issued_ms": f.issued_ms, "document": f.document, "brief": brief_of(f.document)}
            for f in newest.values()
        ]
        past = [{"site": f.site, "issued_ms": f.issued_ms, "document": packed(f.document)} for f in forecasts if f.past]

        def work(connection: Connection) -> None:
            self._put(connection, t.newest_forecasts, rows, newer="issued_ms")
            self._put(connection, t.forecasts, past)

        self._write(work, newest.keys())

    def newest(self, sites: Sequence[str] | None = None, *, brief: bool = False) -> dict[str, StoredForecast]:
        """The newest forecast of each site (None: all).

        brief : bool — documents with an empty survival and drain path, for lists of many sites
        """
        f = t.newest_forecasts.c
        document = case((f.brief.is_(None), f.document), else_=f.brief) if brief else f.document
        query = select(f.site, f.issued_ms, document.label("document"))
        if sites is not None:
            query = query.where(f.site.in_(list(sites)))
        return {row["site"]: StoredForecast(**row) for row in self._rows(query)}

    def issued(self, since_ms: int | None = None) -> dict[str, int]:
        """When the newest forecast of each site was issued [ms], without the documents: quick for many sites.

        since_ms : only of sites whose newest is not older; None: of all
        """
        f = t.newest_forecasts.c
        query = select(f.site, f.issued_ms)
        return dict(self._pairs(query if since_ms is None else query.where(f.issued_ms >= since_ms)))

    def forecasts(self, site: str, start_ms: int, end_ms: int, limit: int = 2000) -> list[StoredForecast]:
        """Past forecasts in [start_ms, end_ms), oldest first."""
        f = t.forecasts.c
        query = (
            select(t.forecasts)
            .where(f.site == site, f.issued_ms >= start_ms, f.issued_ms < end_ms)
            .order_by(f.issued_ms)
            .limit(limit)
        )
        return [StoredForecast(row["site"], row["issued_ms"], unpacked(row["document"])) for row in self._rows(query)]

    # -- checkpoints

    def save_checkpoints(self, kind: str, checkpoints: Sequence[Checkpoint]) -> None:
        """Keep the newest checkpoint of each site."""
        self._write(lambda c: self.put_checkpoints(c, kind, checkpoints), {p.site for p in checkpoints})

    def put_checkpoints(self, connection: Connection, kind: str, checkpoints: Sequence[Checkpoint]) -> None:
        """`save_checkpoints` within the caller's transaction."""
        rows = [
            {"kind": kind, "site": p.site, "cursor": p.cursor, "taken_ms": p.taken_ms, "state": p.state}
            for p in checkpoints
        ]
        self._put(connection, t.checkpoints, rows)

    def advance_checkpoints(self, kind: str, sites: Sequence[str], cursor: str | None) -> None:
        """Move the cursor of checkpoints whose state has not changed since; those that are not there stay away."""
        c = t.checkpoints.c
        if sites:
            moved = update(t.checkpoints).where(c.kind == kind, c.site.in_(list(sites))).values(cursor=cursor)
            self._write(lambda connection: connection.execute(moved), sites)

    def checkpoint(self, kind: str, site: str) -> Checkpoint | None:
        """The newest checkpoint of a site."""
        return self.checkpoints(kind, [site]).get(site)

    def checkpoints(self, kind: str, sites: Sequence[str]) -> dict[str, Checkpoint]:
        """The newest checkpoints of some sites, as far as there are any, in one query; at most some hundred sites."""
        c = t.checkpoints.c
        asked = select(c.site, c.cursor, c.taken_ms, c.state).where(c.kind == kind, c.site.in_(list(sites)))
        return {row["site"]: Checkpoint(**row) for row in self._rows(asked)}

    # -- discharge tests

    def save_test(self, test: DischargeTest) -> None:
        """Keep a test, running or done."""
        row = {"id": test.id, "site": test.site, "started_ms": test.started_ms, "body": body(test)}
        self._write(lambda c: self._put(c, t.tests, [row]), [test.site])

    def tests(self, site: str) -> list[DischargeTest]:
        """Tests of a site, newest first."""
        c = t.tests.c
        query = select(c.body).where(c.site == site).order_by(c.started_ms.desc(), c.id)
        return [read(row["body"], DischargeTest) for row in self._rows(query)]

    def open_tests(self) -> list[DischargeTest]:
        """Tests of all sites that run, or wait for the plug to be pulled, newest first."""
        c = t.tests.c
        query = select(c.body).where(c.body.contains('"finished_ms":null')).order_by(c.started_ms.desc(), c.id)
        return [test for row in self._rows(query) if (test := read(row["body"], DischargeTest)).finished_ms is None]
