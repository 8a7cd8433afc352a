"""Who asks, and what they may: bearer tokens, sessions, and the guards of a server on loopback.

On loopback no login is needed, and a Host check keeps other origins' pages out (DNS rebinding). On any other address,
and under any name that others know (a proxy before it), every request needs a token, or the session cookie that the
login page gives in exchange for one.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
import threading
from dataclasses import dataclass, replace
from http import HTTPStatus
from typing import Literal
from urllib.parse import urlsplit

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from fastapi import Request, Response
from fastapi.responses import HTMLResponse
from fastapi.security.utils import get_authorization_scheme_param
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.problems import ProblemError, problem
from forecaster.domain.errors import NotFound, UsageError
from forecaster.domain.ports import Clock, Ledger
from forecaster.domain.records import Token

Rights = Literal["read", "operate"]

COOKIE = "outlast_session"
CSRF_HEADER = "x-csrf-token"
SESSION_S = 30 * 86_400
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
PREFIX = "outlast"


@dataclass(frozen=True, slots=True)
class Principal:
    """Who asks: name, scope, one site or all, and how they proved it ("loopback", "token", "session")."""

    name: str
    scope: Rights
    site: str | None
    via: str
    token_id: str | None = None

    def may_read(self, site: str) -> bool:
        """Whether this principal may see a site."""
        return self.site is None or self.site == site

    @property
    def may_operate(self) -> bool:
        """Whether this principal may change anything."""
        return self.scope == "operate"


LOOPBACK = Principal("owner", "operate", None, "loopback")


def is_loopback(host: str) -> bool:
    """Whether a bind address is reachable from this machine alone."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


# -- tokens


def new_token(ledger: Ledger, clock: Clock, name: str, scope: Rights, site: str | None) -> tuple[Token, str]:
    """Make and keep a token; the second value is the token itself, which is shown once and kept nowhere."""
    if not name.strip():
        raise UsageError("a token needs a name", "say what it is for, as in `outlast token add phone`")
    identity = secrets.token_hex(4)
    secret = f"{PREFIX}_{identity}_{secrets.token_urlsafe(32)}"
    token = Token(identity, name.strip(), scope, site, PasswordHasher().hash(secret), clock.now_ms())
    ledger.save_token(token)
    return token, secret


def revoke_token(ledger: Ledger, clock: Clock, identity: str) -> Token:
    """Revoke a token by its id or its name, and forget the browsers that subscribed with it; NotFound."""
    for token in ledger.tokens():
        if token.revoked_ms is None and identity in (token.id, token.name):
            revoked = replace(token, revoked_ms=clock.now_ms())
            ledger.save_token(revoked)
            ledger.drop_subscriptions_of(token.id)
            return revoked
    raise NotFound(f"token {identity!r}")


class Keyring:
    """Checks tokens and sessions against the ledger.

    argon2 is slow on purpose, so a token that was verified is remembered by its SHA-256 for as long as the process
    lives; that it is not revoked is looked up every time.
    """

    def __init__(self, ledger: Ledger, clock: Clock) -> None:
        self._ledger, self._clock = ledger, clock
        self._hasher = PasswordHasher()
        self._verified: dict[bytes, str] = {}
        self._lock = threading.Lock()
        self._secret: bytes | None = None

    def open_door(self) -> bool:
        """Whether any token stands, so that somebody can log in."""
        return any(token.revoked_ms is None for token in self._ledger.tokens())

    def token(self, secret: str) -> Token | None:
        """The standing token that a secret belongs to."""
        parts = secret.split("_", 2)
        if len(parts) != 3 or parts[0] != PREFIX:
            return None
        token = self._standing(parts[1])
        if token is None:
            return None
        digest = hashlib.sha256(secret.encode()).digest()
        with self._lock:
            if self._verified.get(digest) == token.id:
                return token
        try:
            self._hasher.verify(token.hashed, secret)
        except (VerificationError, InvalidHashError):
            return None
        with self._lock:
            self._verified[digest] = token.id
        self._ledger.save_token(replace(token, last_used_ms=self._clock.now_ms()))
        return token

    def _standing(self, identity: str) -> Token | None:
        return next((t for t in self._ledger.tokens() if t.id == identity and t.revoked_ms is None), None)

    # -- sessions: "token id.expiry.signature", and a CSRF value derived from it

    def open_session(self, token: Token) -> str:
        """The cookie value of a new session; set it with HttpOnly, SameSite=Lax, Secure where TLS is."""
        body = f"{token.id}.{self._clock.now_ms() // 1000 + SESSION_S}.{secrets.token_hex(8)}"
        return f"{body}.{self._sign('session', body)}"

    def session(self, value: str) -> Token | None:
        """The standing token behind a session cookie."""
        body, _, signature = value.rpartition(".")
        if not hmac.compare_digest(signature, self._sign("session", body)):
            return None
        identity, expiry, _ = body.split(".")
        if int(expiry) < self._clock.now_ms() // 1000:
            return None
        return self._standing(identity)

    def csrf(self, value: str) -> str:
        """The value that a form of this session must carry; "" stands for the loopback session."""
        return self._sign("csrf", value)

    def csrf_holds(self, value: str, given: str) -> bool:
        """Whether a form's CSRF value belongs to the session."""
        return hmac.compare_digest(self.csrf(value), given)

    def _sign(self, purpose: str, text: str) -> str:
        if self._secret is None:
            kept = self._ledger.noted("session-secret")
            if kept is None:
                self._ledger.note("session-secret", secrets.token_hex(32))
                kept = self._ledger.noted("session-secret")
            assert kept is not None
            self._secret = bytes.fromhex(kept)
        return hmac.new(self._secret, f"{purpose}:{text}".encode(), hashlib.sha256).hexdigest()


# -- dependencies


def principal(request: Request) -> Principal:
    """Who asks. 401 where a login is needed and none holds; 403 for a session without its CSRF value."""
    services = request.app.state.services
    keyring: Keyring = services.keyring
    scheme, secret = get_authorization_scheme_param(request.headers.get("authorization"))
    if scheme:
        token = keyring.token(secret) if scheme.lower() == "bearer" else None
        if token is None:
            raise ProblemError(401, "this token is not known, or was revoked", {"WWW-Authenticate": "Bearer"})
        return _as_principal(token, "token")
    if not services.login_needed:
        return LOOPBACK
    cookie = request.cookies.get(COOKIE)
    token = keyring.session(cookie) if cookie else None
    if cookie is None or token is None:
        raise ProblemError(401, "log in, or send a bearer token", {"WWW-Authenticate": "Bearer"})
    is_api = request.url.path.startswith("/api/")
    if is_api and request.method not in SAFE_METHODS:
        given = request.headers.get(CSRF_HEADER, "")
        if not keyring.csrf_holds(cookie, given):
            raise ProblemError(403, f"the request lacks its {CSRF_HEADER} header; reload the page")
    return _as_principal(token, "session")


def sees_all(request: Request) -> bool:
    """Whether the asker may see what concerns the whole installation: logged in, and not for one site alone."""
    try:
        return principal(request).site is None
    except ProblemError:
        return False


def _as_principal(token: Token, via: str) -> Principal:
    return Principal(token.name, "operate" if token.scope == "operate" else "read", token.site, via, token.id)


def require_site(who: Principal, site: str) -> None:
    """404 for a site that this principal may not see: its existence is not told."""
    if not who.may_read(site):
        raise NotFound(f"site {site!r}")


def require_operate(who: Principal) -> None:
    """403 for a principal that may only read."""
    if not who.may_operate:
        raise ProblemError(403, "this token may read, not operate")


# -- guards

CONTENT_SECURITY_POLICY = (
    "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'"
)
HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"content-security-policy", CONTENT_SECURITY_POLICY.encode()),
)


SIGNED_PATHS = ("/acknowledge/", "/answer/")
"""Links of mails: the signed address itself is the permission, wherever the reader's mail program opened it."""

NAMELESS = "null"
"""What a browser calls itself where a policy, an add-on or a private window hides its address (RFC 6454 section 7.3).
Whether the page is ours is then told by Sec-Fetch-Site, which no page can set."""


class Guard:
    """ASGI middleware: Host check where names are known, cross-site writes refused, guarding headers."""

    def __init__(self, app: ASGIApp, *, hosts: frozenset[str] | None) -> None:
        self._app, self._hosts = app, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                present = {name.lower() for name, _ in message["headers"]}
                message["headers"] = [*message["headers"], *(h for h in HEADERS if h[0] not in present)]
            await send(message)

        headers = {name: value.decode("latin-1") for name, value in scope["headers"]}
        refusal = self._refusal(scope["method"], scope["path"], headers)
        if refusal is not None:
            await _refused(*refusal, headers)(scope, receive, send_guarded)
            return
        await self._app(scope, receive, send_guarded)

    def _refusal(self, method: str, path: str, headers: dict[bytes, str]) -> tuple[int, str] | None:
        host = headers.get(b"host", "")
        if self._hosts is not None and _bare(host) not in self._hosts:
            return 421, "this server answers to its own names alone; add this one to [http] hosts in outlast.toml"
        if method in SAFE_METHODS or b"authorization" in headers or path.startswith(SIGNED_PATHS):
            return None
        origin = headers.get(b"origin")
        site = headers.get(b"sec-fetch-site", "none")
        nameless = origin == NAMELESS and site == "same-origin"
        if origin is not None and not nameless and urlsplit(origin).netloc != host:
            return 403, "a page of another site may not do this"
        if site not in ("none", "same-origin"):
            return 403, "a page of another site may not do this"
        return None


def _refused(status: int, detail: str, headers: dict[bytes, str]) -> Response:
    """A refusal, as a page to a browser and as a problem document to a program."""
    if "text/html" not in headers.get(b"accept", ""):
        return problem(status, detail)
    title = HTTPStatus(status).phrase
    body = (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{title}</title></head>'
        f'<body><main><h1>{title}</h1><p>{detail}</p><p><a href="/">Outlast</a></p></main></body></html>'
    )
    return HTMLResponse(body, status)


def _bare(host: str) -> str:
    """A Host header without its port."""
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0].lower()


LOOPBACK_HOSTS = frozenset({"localhost", "127.0.0.1", "[::1]"})
