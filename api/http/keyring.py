"""Tokens and login sessions, verified against the ledger.

A token has 256 random bits, so a fast keyed hash of it is safe to keep, and checking a wrong one costs next to nothing.
Older releases kept argon2 hashes: such a token is checked slowly once (one at a time, few times a minute), and its
hash is then replaced. A session is a random value of which the ledger keeps the SHA-256; logging out or revoking the
token ends it there.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import threading
from collections import deque
from dataclasses import replace
from typing import Final, Literal

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from api.http.problems import ProblemError
from api.process.notes import made_once
from forecaster.domain.errors import NotFound, UsageError
from forecaster.domain.ports import Clock, Ledger
from forecaster.domain.records import LoginSession, Token
from forecaster.texts.catalogue import Said
from forecaster.texts.reading import readable_line

Rights = Literal["read", "operate"]
CALENDAR: Final = "calendar"
"""The scope of a link that opens one site's calendar, and nothing else."""

Scope = Rights | Literal["calendar"]

PREFIX = "outlast"
SIGNS = "23456789abcdefghjkmnpqrstvwxyz"
"""Signs of a typed code: none that is taken for another. Sixteen of them hold 78 bits, guessed a few times a minute."""
GUEST_SIGNS = 16
GUEST_CODE = re.compile(rf"([0-9a-f]{{8}})-([{SIGNS}]{{4}}(?:-[{SIGNS}]{{4}}){{3}})")
SESSION_S = 30 * 86_400
FAST = "blake2b$"
USED_EVERY_MS = 3_600_000
"""How precisely the last use of a token is recorded [ms]."""

SLOW_TRIES, SLOW_WINDOW_S = 5, 60.0
"""How many old hashes may be checked, and within how many seconds."""

MOST_SESSIONS = 50
"""Most sessions of one token; the oldest is ended for a new one."""


def new_token(
    ledger: Ledger, clock: Clock, name: str, scope: Scope, site: str | None, ends_ms: int | None = None
) -> tuple[Token, str]:
    """Make and keep a token; the second value is the token itself, which is shown once and kept nowhere."""
    return _kept_token(ledger, clock, name, scope, site, secrets.token_urlsafe(32), ends_ms)


def new_guest(ledger: Ledger, clock: Clock, name: str, site: str, ends_ms: int) -> tuple[Token, str]:
    """A read token of one site that ends, and its code, short enough to be typed from a sheet of paper."""
    drawn = "".join(secrets.choice(SIGNS) for _ in range(GUEST_SIGNS))
    code = "-".join(drawn[first : first + 4] for first in range(0, GUEST_SIGNS, 4))
    token, _ = _kept_token(ledger, clock, name, "read", site, code, ends_ms)
    return token, f"{token.id}-{code}"


def guest_secret(code: str) -> str | None:
    """The token that a typed code stands for, whatever the case and the spaces; None where it is no code."""
    found = GUEST_CODE.fullmatch("".join(code.split()).lower())
    return None if found is None else f"{PREFIX}_{found[1]}_{found[2]}"


def _kept_token(
    ledger: Ledger, clock: Clock, name: str, scope: Scope, site: str | None, drawn: str, ends_ms: int | None
) -> tuple[Token, str]:
    if not name.strip():
        raise UsageError(Said("usage.a_token_needs_a_name"), Said("usage.say_what_it_is_for_as"))
    identity = secrets.token_hex(4)
    secret = f"{PREFIX}_{identity}_{drawn}"
    hashed = fast_hash(secret, kept_secret(ledger, "token-key"))
    token = Token(identity, readable_line(name.strip()), scope, site, hashed, clock.now_ms(), ends_ms=ends_ms)
    ledger.save_token(token)
    return token, secret


def calendar_path(secret: str) -> str:
    """Where a calendar stands for whoever has its secret."""
    return f"/calendar/{secret}.ics"


def revoke_token(ledger: Ledger, clock: Clock, identity: str) -> Token:
    """Revoke a token by id or name, and with it its sessions and push subscriptions. NotFound."""
    for token in ledger.tokens():
        if token.revoked_ms is None and identity in (token.id, token.name):
            revoked = replace(token, revoked_ms=clock.now_ms())
            ledger.save_token(revoked)
            ledger.drop_subscriptions_of(token.id)
            ledger.close_sessions_of(token.id)
            return revoked
    raise NotFound(Said("usage.token", identity=identity))


def kept_secret(ledger: Ledger, name: str) -> bytes:
    """A secret of the installation, made once and kept in the ledger."""
    return bytes.fromhex(made_once(ledger, name, lambda: secrets.token_hex(32)))


def fast_hash(secret: str, key: bytes) -> str:
    """The keyed BLAKE2b (RFC 7693) of a token, as it is kept."""
    return FAST + hashlib.blake2b(secret.encode(), key=key, digest_size=32, person=b"outlast-token").hexdigest()


class Keyring:
    """Verifies tokens and sessions. Each time it is looked up whether the token has been revoked."""

    def __init__(self, ledger: Ledger, clock: Clock) -> None:
        self._ledger, self._clock = ledger, clock
        self._slow = threading.Lock()
        self._tries: dict[str, deque[float]] = {}
        self._kept: dict[str, bytes] = {}

    def open_door(self) -> bool:
        """Whether there is any valid token, so that somebody can log in."""
        now_ms = self._clock.now_ms()
        return any(token.stands(now_ms) and token.scope != CALENDAR for token in self._ledger.tokens())

    # -- tokens

    def token(self, secret: str) -> Token | None:
        """The valid token that a secret belongs to. ProblemError 429 where old hashes were tried too often."""
        found = self._proven(secret)
        return None if found is None or found.scope == CALENDAR else found

    def calendar(self, secret: str) -> Token | None:
        """The standing link to a calendar that a secret belongs to."""
        found = self._proven(secret)
        return found if found is not None and found.scope == CALENDAR else None

    def _proven(self, secret: str) -> Token | None:
        parts = secret.split("_", 2)
        if len(parts) != 3 or parts[0] != PREFIX:
            return None
        token = self.standing(parts[1])
        if token is None:
            return None
        fast = fast_hash(secret, self._secret("token-key"))
        holds = hmac.compare_digest(token.hashed.encode(), fast.encode())
        if not holds and not token.hashed.startswith(FAST):
            holds = self._holds_slowly(token, secret)
        if not holds:
            return None
        now_ms = self._clock.now_ms()
        if token.hashed != fast or token.last_used_ms is None or now_ms - token.last_used_ms > USED_EVERY_MS:
            token = replace(token, hashed=fast, last_used_ms=now_ms)
            self._ledger.save_token(token)
        return token

    def _holds_slowly(self, token: Token, secret: str) -> bool:
        """Check a secret against an older release's argon2 hash: limited in number, one at a time, 64 MiB each."""
        now_s = self._clock.monotonic_s()
        with self._slow:
            tries = self._tries.setdefault(token.id, deque(maxlen=SLOW_TRIES))
            if len(tries) == SLOW_TRIES and now_s - tries[0] < SLOW_WINDOW_S:
                raise ProblemError(429, Said("usage.too_many_tries_with_this_token"), {"Retry-After": "60"})
            tries.append(now_s)
            try:
                return PasswordHasher().verify(token.hashed, secret)
            except (VerificationError, InvalidHashError):
                return False

    def standing(self, identity: str) -> Token | None:
        """A token by its id, unless it is revoked or has ended."""
        now_ms = self._clock.now_ms()
        return next((t for t in self._ledger.tokens() if t.id == identity and t.stands(now_ms)), None)

    # -- sessions, and the CSRF value that belongs to each

    def open_session(self, token: Token) -> str:
        """The cookie value of a new session; set it with HttpOnly, SameSite=Lax, Secure where TLS is."""
        value, now_ms = secrets.token_urlsafe(32), self._clock.now_ms()
        session = LoginSession(_name_of(value), token.id, now_ms, now_ms + SESSION_S * 1000)
        self._ledger.open_session(session, MOST_SESSIONS)
        return value

    def session(self, value: str) -> Token | None:
        """The valid token behind a session cookie."""
        session = self._ledger.session(_name_of(value))
        if session is None or session.expires_ms <= self._clock.now_ms():
            return None
        return self.standing(session.token_id)

    def close_session(self, value: str) -> None:
        """End a session: its cookie is no longer accepted, even where it was copied."""
        self._ledger.close_session(_name_of(value))

    def csrf(self, value: str) -> str:
        """The value that a form of this session must carry; "" stands for the loopback session."""
        text = f"csrf:{value}".encode(errors="surrogatepass")
        return hmac.new(self._secret("session-secret"), text, hashlib.sha256).hexdigest()

    def csrf_holds(self, value: str, given: str) -> bool:
        """Whether the CSRF value of a form belongs to the session."""
        return hmac.compare_digest(self.csrf(value).encode(), given.encode(errors="surrogatepass"))

    def _secret(self, name: str) -> bytes:
        if name not in self._kept:
            self._kept[name] = kept_secret(self._ledger, name)
        return self._kept[name]


def _name_of(value: str) -> str:
    """The id under which the ledger keeps a session."""
    return hashlib.sha256(value.encode(errors="surrogatepass")).hexdigest()
