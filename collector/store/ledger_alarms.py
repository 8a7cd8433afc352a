"""Alarms, their changes, and what is owed to receivers for them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, func, select, update

from collector.store import ledger_schema as t
from collector.store.bodies import body, read
from collector.store.ledger_base import Row
from collector.store.ledger_found import Findings
from forecaster.domain.alarms import Alarm, AlarmState, AlarmTransition
from forecaster.domain.errors import NotFound
from forecaster.domain.records import Checkpoint, Delivery


class AlarmsAndOutbox(Findings):
    """The part of the Ledger port that keeps alarms; the desk's checkpoint goes into the same transaction."""

    def commit_transitions(
        self, transitions: Sequence[AlarmTransition], deliveries: Sequence[Delivery], checkpoints: Sequence[Checkpoint]
    ) -> None:
        """Transitions, what they owe to receivers, and the desk's checkpoint: one transaction, idempotent by key."""
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
            self._put(connection, t.alarms, alarms, newer="revision")
            self._add(connection, t.deliveries, [_delivery_row(d) for d in deliveries])
            self.put_checkpoints(connection, "alarms", checkpoints)

        self._write(work)

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

    def due(self, channel: str, now_ms: int, limit: int = 50) -> list[Delivery]:
        """Deliveries of a channel that are due, not done, not given up; oldest first."""
        d = t.deliveries.c
        query = (
            select(*(column for column in t.deliveries.columns if column.name != "open"))
            .where(d.open.is_(True), d.channel == channel, d.due_ms <= now_ms)
            .order_by(d.created_ms, d.due_ms, d.key)
            .limit(limit)
        )
        return [Delivery(**row) for row in self._rows(query)]

    def settle(self, delivery: Delivery) -> None:
        """Keep a delivery's changed attempts, due time, error, done or given-up mark."""
        row = _delivery_row(delivery)
        kept = {name: row[name] for name in ("attempts", "due_ms", "last_error", "done_ms", "gave_up", "open")}
        self._write(lambda c: c.execute(update(t.deliveries).where(t.deliveries.c.key == delivery.key).values(**kept)))

    def oldest_undelivered_ms(self) -> int | None:
        """created_ms of the oldest delivery not done and not given up."""
        query = select(func.min(t.deliveries.c.created_ms).label("oldest")).where(t.deliveries.c.open.is_(True))
        found = self._rows(query)[0]["oldest"]
        return None if found is None else int(found)


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


def _delivery_row(delivery: Delivery) -> dict[str, Any]:
    row = {name: getattr(delivery, name) for name in Delivery.__dataclass_fields__}
    return row | {"open": delivery.done_ms is None and not delivery.gave_up}
