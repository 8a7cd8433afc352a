"""Alarms and their transitions, committed together with their deliveries."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection, and_, func, or_, select, text

from collector.store import ledger_schema as t
from collector.store.bodies import body, read
from collector.store.ledger_base import Row, cursor_ms
from collector.store.ledger_found import Findings
from collector.store.ledger_outbox import delivery_row
from forecaster.domain.alarms import Alarm, AlarmState, AlarmTransition
from forecaster.domain.errors import NotFound
from forecaster.domain.records import AlarmPage, AlarmQuery, Checkpoint, Delivery

ORDER_LOCK = 7_318_047
"""The key of the advisory lock under which transitions get their numbers on PostgreSQL; an arbitrary number."""


class LedgerAlarms(Findings):
    """The part of the Ledger port that keeps alarms; the alarm manager's checkpoint goes into the same transaction."""

    def commit_transitions(
        self, transitions: Sequence[AlarmTransition], deliveries: Sequence[Delivery], checkpoints: Sequence[Checkpoint]
    ) -> None:
        """Transitions, their deliveries and the alarm manager's state, in one transaction; idempotent by key."""
        changes = [
            {
                "id": x.alarm.id,
                "revision": x.alarm.revision,
                "site": x.alarm.site,
                "at_ms": x.at_ms,
                "kind": x.kind.value,
                "body": body(x),
            }
            for x in transitions
        ]
        alarms = [_alarm_row(x.alarm) for x in transitions]

        def work(connection: Connection) -> None:
            self._add(connection, t.transitions, changes)
            self._number(connection, transitions)
            self._put(connection, t.alarms, alarms, newer="revision")
            self._add(connection, t.deliveries, [delivery_row(d) for d in deliveries])
            self.put_checkpoints(connection, "alarms", checkpoints)

        sites = {x.alarm.site for x in transitions} | {d.site for d in deliveries} | {p.site for p in checkpoints}
        self._write(work, sites)

    def alarms(
        self, site: str | None = None, states: Sequence[AlarmState] | None = None, limit: int = 500
    ) -> list[Alarm]:
        """Alarms in their newest revision, newest change first."""
        a = t.alarms.c
        query = select(a.body).order_by(a.changed_ms.desc(), a.id).limit(limit)
        if site is not None:
            query = query.where(a.site == site)
        if states is not None:
            query = query.where(a.state.in_([state.value for state in states]))
        return [read(row["body"], Alarm) for row in self._rows(query)]

    def alarms_of(self, sites: Sequence[str], states: Sequence[AlarmState]) -> dict[str, list[Alarm]]:
        """Alarms of some sites in one look, newest change first; sites without any are left out."""
        a = t.alarms.c
        wanted = (a.site.in_(list(sites)), a.state.in_([state.value for state in states]))
        found: dict[str, list[Alarm]] = {}
        for row in self._rows(select(a.site, a.body).where(*wanted).order_by(a.changed_ms.desc(), a.id)):
            found.setdefault(row["site"], []).append(read(row["body"], Alarm))
        return found

    def alarm_page(self, query: AlarmQuery) -> AlarmPage:
        """A page of the alarms of one or all sites, newest change first."""
        a = t.alarms.c
        asked = select(a.body, a.changed_ms, a.id).order_by(a.changed_ms.desc(), a.id)
        if query.site is not None:
            asked = asked.where(a.site == query.site)
        if query.states:
            asked = asked.where(a.state.in_([state.value for state in query.states]))
        if query.kinds:
            asked = asked.where(or_(*(a.id.contains(f":{kind.value}:") for kind in query.kinds)))
        if query.priorities:  # bodies are written by one hand, without spaces
            asked = asked.where(or_(*(a.body.contains(f'"priority":"{one.value}"') for one in query.priorities)))
        if query.start_ms is not None:
            asked = asked.where(a.changed_ms >= query.start_ms)
        if query.end_ms is not None:
            asked = asked.where(a.changed_ms < query.end_ms)
        if query.cursor is not None:
            changed_ms, after = _place(query.cursor)
            asked = asked.where(or_(a.changed_ms < changed_ms, and_(a.changed_ms == changed_ms, a.id > after)))
        rows = self._rows(asked.limit(query.limit + 1))
        more, rows = len(rows) > query.limit, rows[: query.limit]
        cursor = f"{rows[-1]['changed_ms']}.{rows[-1]['id']}" if more and rows else None
        return AlarmPage(tuple(read(row["body"], Alarm) for row in rows), cursor)

    def alarm(self, alarm_id: str) -> Alarm:
        """One alarm; NotFound."""
        rows = self._rows(select(t.alarms.c.body).where(t.alarms.c.id == alarm_id))
        if not rows:
            raise NotFound(f"alarm {alarm_id}")
        return read(rows[0]["body"], Alarm)

    def transitions(self, site: str, start_ms: int, end_ms: int, limit: int = 500) -> list[AlarmTransition]:
        """Transitions in [start_ms, end_ms), newest first."""
        x = t.transitions.c
        query = (
            select(x.body)
            .where(x.site == site, x.at_ms >= start_ms, x.at_ms < end_ms)
            .order_by(x.at_ms.desc(), x.id, x.revision.desc())
            .limit(limit)
        )
        return [read(row["body"], AlarmTransition) for row in self._rows(query)]

    # -- the order in which they were committed
    def _number(self, connection: Connection, transitions: Sequence[AlarmTransition]) -> None:
        """Number transitions within the caller's transaction; a repeat keeps its number.

        SQLite has one writer at a time. PostgreSQL hands numbers out before the commit, so that one who reads might
        see a higher one first: there, writers take turns from the number to the commit.
        """
        if transitions and connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": ORDER_LOCK})
        rows = [{"id": x.alarm.id, "revision": x.alarm.revision} for x in transitions]
        self._add(connection, t.changes, rows, key=("id", "revision"))

    def newest_change(self) -> int:
        """The number of the transition that was committed last; 0 where there was none."""
        return int(self._rows(select(func.max(t.changes.c.number).label("number")))[0]["number"] or 0)

    def changes(self, after: int, limit: int, site: str | None = None) -> list[tuple[int, AlarmTransition]]:
        """Transitions of one or all sites with a number above `after`, in the order in which they were committed."""
        n, x = t.changes.c, t.transitions.c
        both = and_(n.id == x.id, n.revision == x.revision)
        query = select(n.number, x.body).join_from(t.changes, t.transitions, both).where(n.number > after)
        if site is not None:
            query = query.where(x.site == site)
        rows = self._rows(query.order_by(n.number).limit(limit))
        return [(row["number"], read(row["body"], AlarmTransition)) for row in rows]


def _alarm_row(alarm: Alarm) -> Row:
    return {
        "id": alarm.id,
        "site": alarm.site,
        "state": alarm.state.value,
        "revision": alarm.revision,
        "changed_ms": alarm.changed_ms,
        "cleared_ms": alarm.cleared_ms,
        "body": body(alarm),
    }


def _place(cursor: str) -> tuple[int, str]:
    """The cursor of a page, decoded: when its last alarm changed, and its id. StoreRefused for any other text."""
    changed_ms, _, after = cursor.partition(".")
    return cursor_ms(changed_ms if after else "", cursor), after
