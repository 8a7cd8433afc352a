"""People: their requests to the forecaster, their tokens and sessions, and their push subscriptions."""

from __future__ import annotations

from sqlalchemy import Connection, and_, delete, or_, select

from collector.store import ledger_schema as t
from collector.store.ledger_base import LedgerBase
from forecaster.domain.names import legible
from forecaster.domain.records import LoginSession, PushSubscription, Token


class People(LedgerBase):
    """The part of the Ledger port that keeps requests, tokens, sessions and subscriptions."""

    def request(self, kind: str, target: str, body: str, at_ms: int) -> int:
        """Queue what a person asked of the forecaster; its id."""
        statement = t.requests.insert().values(kind=kind, target=target, body=body, at_ms=at_ms)
        return self._write(lambda c: int(c.execute(statement.returning(t.requests.c.id)).scalar_one()))

    def requests(self, after_id: int, limit: int = 200) -> list[tuple[int, str, str, str, int]]:
        """(id, kind, target, body, at_ms) queued after an id, oldest first."""
        r = t.requests.c
        rows = self._rows(select(t.requests).where(r.id > after_id).order_by(r.id).limit(limit))
        return [(row["id"], row["kind"], row["target"], row["body"], row["at_ms"]) for row in rows]

    def save_token(self, token: Token) -> None:
        """Keep or change a token."""
        row = {name: getattr(token, name) for name in Token.__dataclass_fields__}
        self._write(lambda c: self._put(c, t.tokens, [row]))

    def tokens(self) -> list[Token]:
        """All tokens, newest first."""
        c = t.tokens.c
        return [
            Token(**{**row, "name": legible(row["name"])})
            for row in self._rows(select(t.tokens).order_by(c.created_ms.desc(), c.id))
        ]

    def open_session(self, session: LoginSession, most: int) -> None:
        """Keep a login session. Expired sessions are removed, and the oldest ones of its token beyond `most`."""
        s = t.sessions.c
        row = {name: getattr(session, name) for name in LoginSession.__dataclass_fields__}
        newest = select(s.id).where(s.token_id == session.token_id).order_by(s.created_ms.desc(), s.id).limit(most)

        def work(connection: Connection) -> None:
            self._put(connection, t.sessions, [row])
            kept = list(connection.execute(newest).scalars())
            over = or_(s.expires_ms <= session.created_ms, and_(s.token_id == session.token_id, s.id.not_in(kept)))
            connection.execute(delete(t.sessions).where(over))

        self._write(work)

    def session(self, session_id: str) -> LoginSession | None:
        """A login session by its id."""
        rows = self._rows(select(t.sessions).where(t.sessions.c.id == session_id))
        return LoginSession(**rows[0]) if rows else None

    def close_session(self, session_id: str) -> None:
        """End a login session."""
        self._write(lambda c: c.execute(delete(t.sessions).where(t.sessions.c.id == session_id)))

    def close_sessions_of(self, token_id: str) -> None:
        """End the login sessions of a token."""
        self._write(lambda c: c.execute(delete(t.sessions).where(t.sessions.c.token_id == token_id)))

    def save_subscription(self, subscription: PushSubscription) -> None:
        """Keep a push subscription."""
        row = {name: getattr(subscription, name) for name in PushSubscription.__dataclass_fields__}
        self._write(lambda c: self._put(c, t.subscriptions, [row]))

    def subscriptions(self) -> list[PushSubscription]:
        """All push subscriptions."""
        c = t.subscriptions.c
        return [PushSubscription(**row) for row in self._rows(select(t.subscriptions).order_by(c.created_ms, c.id))]

    def drop_subscription(self, subscription_id: str) -> None:
        """Forget a push subscription that is gone."""
        self._write(lambda c: c.execute(delete(t.subscriptions).where(t.subscriptions.c.id == subscription_id)))

    def drop_subscriptions_of(self, token_id: str) -> int:
        """Forget the push subscriptions of a token; how many there were."""
        gone = delete(t.subscriptions).where(t.subscriptions.c.token_id == token_id)
        return self._write(lambda c: c.execute(gone).rowcount)
