"""Members and leases in the ledger: PostgreSQL is the only arbiter, and its clock the only one that counts here.

A member's heartbeat prolongs its leases. A lease that is not prolonged runs out, and another member takes it with the
next higher number. Every transaction that writes under a lease first looks up its number, and holds the row until it
ends (`collector.store.fences`): a lease changes hands before such a transaction or after it, never during it, and a
member that was paused cannot write anything late.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from math import inf

import msgspec
from sqlalchemy import BigInteger, ColumnElement, Connection, Row, and_, cast, delete, func, or_, select, text, update

from collector.store import ledger_schema as t
from collector.store.fences import end_paused
from collector.store.ledger_base import LedgerBase
from forecaster.decoding.typed import from_json
from forecaster.domain.errors import Conflict
from forecaster.domain.leases import Lease, MemberBeat, MemberSeen, MemberTold
from forecaster.domain.times import DAY_MS
from forecaster.texts.catalogue import Said

LEASE_MS = 20_000
"""How long a lease lasts after the heartbeat that prolongs it [ms]."""

FORGOTTEN_MS = DAY_MS
"""How long a silent member is still kept [ms]; it is deleted when one joins the same role after that."""

M, L = t.members.c, t.leases.c
NOW: ColumnElement[int] = cast(func.floor(func.extract("epoch", func.clock_timestamp()) * 1000), BigInteger)


class Membership(LedgerBase):
    """The part of the ledger by which several processes share the work; only on PostgreSQL.

    In its methods:
    role, name : str — "collect" or "forecast", and the member's name
    instance : str — identifies the process; one after another may go by the same member's name
    Errors: StoreError from all of them.
    """

    @property
    def joinable(self) -> bool:
        """Whether several machines can work on this ledger."""
        return self._engine.dialect.name == "postgresql"

    def join(self, role: str, name: str, instance: str, told: MemberTold) -> None:
        """Register a member, in place of an earlier process of the same name."""
        row = {"role": role, "name": name, "instance": instance, "body": msgspec.json.encode(told).decode()}
        silent = delete(t.members).where(M.role == role, M.beat_ms < NOW - FORGOTTEN_MS)

        def work(connection: Connection) -> None:
            now_ms = connection.execute(select(NOW)).scalar_one()
            connection.execute(silent)
            self._put(connection, t.members, [row | {"joined_ms": now_ms, "beat_ms": now_ms}])

        self._write(work)

    def beat(self, role: str, name: str, instance: str) -> MemberBeat:
        """Note that a member lives, and prolong its leases. Errors: Conflict where another process has its name."""
        mine = and_(L.role == role, L.instance == instance)

        def work(connection: Connection) -> MemberBeat:
            me = and_(M.role == role, M.name == name, M.instance == instance)
            if connection.execute(update(t.members).where(me).values(beat_ms=NOW)).rowcount == 0:
                raise Conflict(Said("members.another_goes_by_this_name", name=name), Said("members.remove_the_copied"))
            connection.execute(select(L.share).where(mine).order_by(L.share).with_for_update())
            connection.execute(update(t.leases).where(mine).values(until_ms=NOW + LEASE_MS))
            living = select(M.name).where(M.role == role, M.beat_ms >= NOW - LEASE_MS).order_by(M.name)
            rows = connection.execute(select(t.leases).where(L.role == role).order_by(L.share)).all()
            now_ms = connection.execute(select(NOW)).scalar_one()
            others = {row.share: row.until_ms for row in rows if row.owner != name and row.until_ms >= now_ms}
            return MemberBeat(
                living=tuple(connection.execute(living).scalars()),
                own=tuple(_lease(row) for row in rows if row.instance == instance),
                taken=frozenset(others),
                others_last_s=(min(others.values(), default=inf) - now_ms) / 1000.0,
            )

        return self._write(work)

    def take(self, role: str, name: str, instance: str, shares: Collection[int]) -> list[Lease]:
        """Take those leases of shares that nobody has, that ran out, or that an earlier process of the same name had.

        Returns the leases taken. One under which somebody is just writing is left for the next time, and the session
        of a writer that has been paused in it is ended.
        """
        free = or_(L.until_ms < NOW, L.owner.in_(("", name)))
        wanted = and_(L.role == role, L.share.in_(sorted(shares)), free)
        fresh = [
            {"role": role, "share": share, "number": 0, "owner": "", "instance": "", "until_ms": 0}
            for share in sorted(shares)
        ]
        change = {"owner": name, "instance": instance, "number": L.number + 1, "until_ms": NOW + LEASE_MS}

        def work(connection: Connection) -> list[Lease]:
            self._add(connection, t.leases, fresh)
            locked = select(L.share).where(wanted).order_by(L.share).with_for_update(skip_locked=True)
            found = list(connection.execute(locked).scalars())
            if len(found) < connection.execute(select(func.count()).select_from(t.leases).where(wanted)).scalar_one():
                connection.execute(text(end_paused(t.leases.name)))
            taken = and_(L.role == role, L.share.in_(found))
            connection.execute(update(t.leases).where(taken).values(change))
            rows = connection.execute(select(t.leases).where(taken).order_by(L.share)).all()
            return [_lease(row) for row in rows]

        return self._write(work)

    def give_back(self, instance: str, leases: Iterable[Lease]) -> None:
        """End leases, so that others may take them at once. Those that others have by now stay as they are."""

        def work(connection: Connection) -> None:
            for lease in leases:
                own = and_(L.role == lease.role, L.share == lease.share, L.number == lease.number)
                ended = update(t.leases).where(own, L.instance == instance)
                connection.execute(ended.values(owner="", instance="", until_ms=0))

        self._write(work)

    def leave(self, role: str, name: str, instance: str) -> None:
        """Delete a member from the list of members; its leases are not touched."""
        gone = delete(t.members).where(M.role == role, M.name == name, M.instance == instance)
        self._write(lambda connection: connection.execute(gone))

    def members(self) -> list[MemberSeen]:
        """All members with their leases that have not run out, by role and name; empty where members cannot join."""
        if not self.joinable:
            return []
        silent = cast(NOW - M.beat_ms, BigInteger).label("silent_ms")
        rows = self._rows(select(t.members, silent).order_by(M.role, M.name))
        held: dict[tuple[str, str], list[int]] = {}
        for row in self._rows(select(L.role, L.share, L.instance).where(L.until_ms >= NOW).order_by(L.share)):
            held.setdefault((row["role"], row["instance"]), []).append(row["share"])
        return [
            MemberSeen(
                role=row["role"],
                name=row["name"],
                told=from_json(row["body"], MemberTold),
                joined_ms=row["joined_ms"],
                silent_s=max(0.0, row["silent_ms"] / 1000.0),
                living=row["silent_ms"] <= LEASE_MS,
                shares=tuple(held.get((row["role"], row["instance"]), ())),
            )
            for row in rows
        ]


def _lease(row: Row[tuple[object, ...]]) -> Lease:
    return Lease(row.role, row.share, row.number)
