"""The outbox, and the record that it leaves: who was told what, when, and with what outcome."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec
from sqlalchemy import Connection, Select, delete, func, or_, select, update

from collector.store import ledger_schema as t
from collector.store.ledger_base import LedgerBase
from forecaster.domain.records import Delivery, Notice, notice_of

KEPT = tuple(column for column in t.deliveries.columns if column.name != "open")
CHANGING = ("attempts", "due_ms", "last_error", "done_ms", "gave_up", "open")
FORGOTTEN = {"receiver": "", "body": ""}
"""Columns that are cleared in a settled delivery: the address and the text."""

NAMED_IN = (
    (t.alarms, "body", ("acknowledged_by", "shelved_by")),
    (t.transitions, "body", ("acknowledged_by", "shelved_by")),
    (t.deliveries, "body", ("acknowledged_by", "shelved_by")),
    (t.requests, "body", ("by",)),
    (t.tests, "body", ("started_by",)),
    (t.work, "body", ("by",)),
)
"""Where a person's name stands beside the outbox: table, column of JSON, fields."""


class LedgerOutbox(LedgerBase):
    """The part of the Ledger port that keeps deliveries and what became of them."""

    def due(self, channel: str, now_ms: int, limit: int = 50) -> list[Delivery]:
        """Deliveries of a channel that are due, not done, not given up: gravest, first attempts, oldest first."""
        d = t.deliveries.c
        query = (
            select(*KEPT)
            .where(d.open.is_(True), d.channel == channel, d.due_ms <= now_ms)
            .order_by(d.rank.desc(), d.attempts > 0, d.created_ms, d.due_ms, d.key)
            .limit(limit)
        )
        return self._deliveries(query)

    def settle(self, delivery: Delivery) -> None:
        """Keep a delivery's changed attempts, due time, error, done or given-up mark; once over, no address."""
        row = delivery_row(delivery)
        kept = {name: row[name] for name in CHANGING} | ({} if row["open"] else FORGOTTEN)
        self._write(lambda c: c.execute(update(t.deliveries).where(t.deliveries.c.key == delivery.key).values(**kept)))

    def bring_forward(self, alarm_id: str, who: str, due_ms: int) -> int:
        """Let a person's messages about an alarm that wait untried be due earlier; how many there were.

        One statement; messages that are already due, which a courier may have in hand, are not changed.
        """
        d = t.deliveries.c
        waits = (d.alarm_id == alarm_id) & (d.who == who) & d.open.is_(True) & (d.attempts == 0) & (d.due_ms > due_ms)
        change = update(t.deliveries).where(waits).values(due_ms=due_ms, created_ms=due_ms)
        return self._write(lambda c: c.execute(change).rowcount)

    def oldest_undelivered_ms(self) -> int | None:
        """created_ms of the oldest delivery not done and not given up."""
        query = select(func.min(t.deliveries.c.created_ms).label("oldest")).where(t.deliveries.c.open.is_(True))
        found = self._rows(query)[0]["oldest"]
        return None if found is None else int(found)

    def notices(self, alarm_ids: Sequence[str]) -> list[Notice]:
        """Who was told of these alarms, and with what outcome; the oldest message first."""
        d = t.deliveries.c
        query = select(*KEPT).where(d.alarm_id.in_(alarm_ids), d.who != "").order_by(d.revision, d.due_ms, d.key)
        return [notice_of(delivery) for delivery in self._deliveries(query)]

    def notices_between(self, site: str, start_ms: int, end_ms: int, limit: int = 5000) -> list[Notice]:
        """Messages to people of a site that were owed in [start_ms, end_ms), newest first; test messages too."""
        d = t.deliveries.c
        query = (
            select(*KEPT)
            .where(d.site == site, d.created_ms >= start_ms, d.created_ms < end_ms, d.who != "")
            .order_by(d.created_ms.desc(), d.key)
            .limit(limit)
        )
        return [notice_of(delivery) for delivery in self._deliveries(query)]

    def answer(self, alarm_id: str, who: str, at_ms: int) -> bool:
        """Keep that a person answered a test message; whether there was one to them. The first answer stays."""
        d = t.deliveries.c
        sent = (d.alarm_id == alarm_id) & (d.who == who)

        def work(connection: Connection) -> bool:
            connection.execute(update(t.deliveries).where(sent, d.answered_ms.is_(None)).values(answered_ms=at_ms))
            return connection.execute(select(d.key).where(sent).limit(1)).first() is not None

        return self._write(work)

    def erase_person(self, site: str, who: str) -> int:
        """Forget a person of a site: what they were told, and their name in what they did. How many rows changed."""
        d = t.deliveries.c

        def work(connection: Connection) -> int:
            gone = connection.execute(delete(t.deliveries).where(d.site == site, d.who == who)).rowcount
            gone += _unrefer(connection, site, who)
            mine = update(t.edits).where(t.edits.c.site == site, t.edits.c.who == who)
            gone += connection.execute(mine.values(who="")).rowcount
            return gone + sum(_unname(connection, site, who, *place) for place in NAMED_IN)

        return self._write(work)

    def _deliveries(self, query: Select[Any]) -> list[Delivery]:
        return [Delivery(**row) for row in self._rows(query)]


def _unname(connection: Connection, site: str, who: str, table: Any, column: str, fields: tuple[str, ...]) -> int:
    """Remove a name from the JSON of a site's rows in a table. Returns how many rows changed."""
    c = table.c
    named = msgspec.json.encode(who).decode()
    of_site = c.target.startswith(f"{site}:", autoescape=True) if table is t.requests else c.site == site
    mentions = or_(*(c[column].contains(f'"{field}":{named}', autoescape=True) for field in fields))
    rows = connection.execute(select(*table.primary_key.columns, c[column]).where(of_site, mentions)).mappings().all()
    for row in rows:
        text = str(row[column])
        for field in fields:
            text = text.replace(f'"{field}":{named}', f'"{field}":""')
        place = [key == row[key.name] for key in table.primary_key.columns]
        connection.execute(update(table).where(*place).values({column: text}))
    return len(rows)


def _unrefer(connection: Connection, site: str, who: str) -> int:
    """Drop the line that refers others to a person from messages that wait; how many rows changed."""
    d = t.deliveries.c
    named = msgspec.json.encode(who).decode()[1:-1]
    mentions = (d.site == site) & d.open.is_(True) & d.body.contains(named, autoescape=True)
    changed = 0
    for row in connection.execute(select(d.key, d.body).where(mentions)).mappings().all():
        told = msgspec.json.decode(row["body"], type=dict[str, Any])
        if who in str(told.get("afar", "")):
            body = msgspec.json.encode(told | {"afar": ""}).decode()
            changed += connection.execute(update(t.deliveries).where(d.key == row["key"]).values(body=body)).rowcount
    return changed


def delivery_row(delivery: Delivery) -> dict[str, Any]:
    """The columns of a delivery."""
    row = {name: getattr(delivery, name) for name in Delivery.__dataclass_fields__}
    return row | {"open": delivery.done_ms is None and not delivery.gave_up}
