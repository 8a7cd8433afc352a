"""What the intake keeps beside readings: refusals, messages that wait for the clock, small notes."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from sqlalchemy import Connection, delete, func, or_, select, update

from collector.store import ledger_schema as t
from collector.store.ledger_base import LedgerBase
from collector.store.ledger_edits import edit_inserted
from forecaster.domain.readings import Refusal
from forecaster.domain.records import HeldMessage, SiteEdit

QUARANTINE_ROWS = 10_000
"""Refusals kept; the oldest go first."""

NAMES_A_QUERY = 500
"""Notes read in one query; older builds of SQLite take no more than 999 parameters (SQLITE_MAX_VARIABLE_NUMBER)."""


class IntakeNotes(LedgerBase):
    """The part of the Ledger port that keeps quarantine, held messages and notes."""

    def quarantine(self, refusals: Sequence[Refusal]) -> None:
        """Keep what was refused, durably; bounded, the oldest go first."""
        rows = [{name: getattr(r, name) for name in Refusal.__dataclass_fields__} for r in refusals[-QUARANTINE_ROWS:]]
        if not rows:
            return

        def work(connection: Connection) -> None:
            connection.execute(t.refusals.insert(), rows)
            newest = connection.execute(select(func.max(t.refusals.c.id))).scalar_one()
            connection.execute(delete(t.refusals).where(t.refusals.c.id <= newest - QUARANTINE_ROWS))

        self._write(work)

    def refusals(self, site: str | None = None, limit: int = 200) -> list[Refusal]:
        """What was refused, newest first."""
        r = t.refusals.c
        query = select(r.site, r.topic, r.payload, r.arrived_ms, r.reason).order_by(r.id.desc()).limit(limit)
        if site is not None:
            query = query.where(r.site == site)
        return [Refusal(**row) for row in self._rows(query)]

    def hold(self, messages: Sequence[HeldMessage]) -> None:
        """Keep messages, durably, until the clock can be believed."""
        names = ("boot", "monotonic_s", "topic", "payload", "retained", "owner")
        rows = [{name: getattr(m, name) for name in names} for m in messages]
        if rows:
            self._write(lambda c: c.execute(t.held.insert(), rows))

    def held(self, limit: int, owner: str = "") -> list[HeldMessage]:
        """Messages that one collector holds, oldest first."""
        query = select(t.held).where(t.held.c.owner == owner).order_by(t.held.c.id).limit(limit)
        return [HeldMessage(**row) for row in self._rows(query)]

    def release(self, up_to_id: int, owner: str = "") -> None:
        """Forget messages that one collector holds, up to and with an id: their readings are stored."""
        gone = delete(t.held).where(t.held.c.owner == owner, t.held.c.id <= up_to_id)
        self._write(lambda c: c.execute(gone))

    def note(self, name: str, value: str) -> None:
        """Keep a small named value (filters subscribed, clock state, heartbeat times)."""
        self.note_all({name: value})

    def note_all(self, values: Mapping[str, str]) -> None:
        """Keep small named values, all of them or none. values : by name"""
        rows = [{"name": name, "value": values[name]} for name in sorted(values)]  # all writers in the same order
        self._write(lambda c: self._put(c, t.notes, rows))

    def note_once(self, name: str, value: str) -> str:
        """Keep a small named value unless there is one; the value that stands, whoever of several was first."""
        query = select(t.notes.c.value).where(t.notes.c.name == name)

        def work(connection: Connection) -> str:
            self._add(connection, t.notes, [{"name": name, "value": value}])
            return str(connection.execute(query).scalar_one())

        return self._write(work)

    def note_new(self, values: Mapping[str, str], also: Mapping[str, str]) -> None:
        """Keep small named values, each unless there is one, and `also` with them whatever stands there. By name."""

        def work(connection: Connection) -> None:
            self._add(connection, t.notes, [{"name": name, "value": values[name]} for name in sorted(values)])
            self._put(connection, t.notes, [{"name": name, "value": value} for name, value in also.items()])

        self._write(work)

    def note_after(
        self, name: str, before: str | None, value: str,
        *, also: Mapping[str, str] | None = None, edit: SiteEdit | None = None,
    ) -> bool:  # fmt: skip
        """Keep a small named value only where what stands is still `before` (None: nothing); whether it was kept.

        also, edit : other named values, and a change of a site file, that are kept with it or not at all
        """
        n = t.notes.c
        query = select(n.value).where(n.name == name)

        def kept(connection: Connection) -> bool:
            if before is None:
                self._add(connection, t.notes, [{"name": name, "value": value}])
                return str(connection.execute(query).scalar_one()) == value
            change = update(t.notes).where(n.name == name, n.value == before).values(value=value)
            return bool(connection.execute(change).rowcount == 1)

        def work(connection: Connection) -> bool:
            if not kept(connection):
                return False
            self._put(connection, t.notes, [{"name": one, "value": other} for one, other in (also or {}).items()])
            if edit is not None:
                connection.execute(edit_inserted(edit))
            return True

        return self._write(work)

    def noted(self, name: str) -> str | None:
        """A small named value."""
        rows = self._rows(select(t.notes.c.value).where(t.notes.c.name == name))
        return str(rows[0]["value"]) if rows else None

    def noted_of(self, names: Collection[str]) -> dict[str, str]:
        """Small values by their names, as far as there are any."""
        n, asked, found = t.notes.c, list(names), dict[str, str]()
        for first in range(0, len(asked), NAMES_A_QUERY):
            query = select(n.name, n.value).where(n.name.in_(asked[first : first + NAMES_A_QUERY]))
            found |= self._texts(query)
        return found

    def notes(self, name: str) -> dict[str, str]:
        """The small values of a name and of `name:…`, by their names."""
        n = t.notes.c
        query = select(n.name, n.value).where(or_(n.name == name, n.name.startswith(f"{name}:", autoescape=True)))
        return self._texts(query)

    def forget_note(self, name: str) -> None:
        """Drop a small named value, if it is there."""
        self._write(lambda c: c.execute(delete(t.notes).where(t.notes.c.name == name)))
