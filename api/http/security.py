"""Who makes a request and what they may do: bearer tokens, sessions, and the checks of a server on loopback.

On loopback no login is needed, and a Host check keeps other origins' pages out (DNS rebinding). On any other address,
and under any name that others know (a proxy before it), every request needs a token, or the session cookie that the
login page gives in exchange for one.
"""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from urllib.parse import urlsplit

from fastapi import Request
from fastapi.security.utils import get_authorization_scheme_param
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.keyring import Keyring, Rights
from api.http.problems import ProblemError, faced, problem
from api.http.refused import SIGNED_PATHS, refused
from forecaster.domain.errors import NotFound
from forecaster.domain.records import Token
from forecaster.texts.catalogue import Said

COOKIE = "outlast_session"
CSRF_HEADER = "x-csrf-token"
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})


@dataclass(frozen=True, slots=True)
class Principal:
    """Who makes a request: name, scope, one site or all, and how that was proved ("loopback", "token", "session").

    ends : bool — by a token that ends by itself, which a guest has
    """

    name: str
    scope: Rights
    site: str | None
    via: str
    token_id: str | None = None
    ends: bool = False

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


# -- dependencies


def principal(request: Request) -> Principal:
    """The principal of a request. 401 where a valid login is needed; 403 for a session without its CSRF value."""
    services = request.app.state.services
    keyring: Keyring = services.keyring
    scheme, secret = get_authorization_scheme_param(request.headers.get("authorization"))
    if scheme:
        token = keyring.token(secret) if scheme.lower() == "bearer" else None
        if token is None:
            raise ProblemError(401, Said("usage.this_token_is_not_known_or"), {"WWW-Authenticate": "Bearer"})
        return _as_principal(token, "token")
    if not services.login_needed:
        return LOOPBACK
    cookie = request.cookies.get(COOKIE)
    token = keyring.session(cookie) if cookie else None
    if cookie is None or token is None:
        raise ProblemError(401, Said("usage.log_in_or_send_a_bearer"), {"WWW-Authenticate": "Bearer"})
    is_api = request.url.path.startswith("/api/")
    if is_api and request.method not in SAFE_METHODS:
        given = request.headers.get(CSRF_HEADER, "")
        if not keyring.csrf_holds(cookie, given):
            raise ProblemError(403, Said("usage.the_request_lacks_its_header_reload", csrf_header=CSRF_HEADER))
    return _as_principal(token, "session")


def still_holds(request: Request) -> bool:
    """Whether a principal is still valid: the token is not revoked and the session has not ended."""
    try:
        principal(request)
    except ProblemError:
        return False
    return True


def sees_all(request: Request) -> bool:
    """Whether the principal may see what concerns the whole installation: logged in, and not limited to one site."""
    return _of_all(request) is not None


def operates_all(request: Request) -> bool:
    """Whether the principal may also change it: only they are shown what site files hold of people."""
    who = _of_all(request)
    return who is not None and who.may_operate


def _of_all(request: Request) -> Principal | None:
    """The principal, where it is valid and not limited to one site."""
    try:
        who = principal(request)
    except ProblemError:
        return None
    return who if who.site is None else None


def _as_principal(token: Token, via: str) -> Principal:
    scope: Rights = "operate" if token.scope == "operate" else "read"
    return Principal(token.name, scope, token.site, via, token.id, token.ends_ms is not None)


def require_site(who: Principal, site: str) -> None:
    """404 for a site that this principal may not see, as if it did not exist."""
    if not who.may_read(site):
        raise NotFound(Said("usage.site", site=site))


def require_operate(who: Principal) -> None:
    """403 for a principal that may only read."""
    if not who.may_operate:
        raise ProblemError(403, Said("usage.this_token_may_read_not_operate"))


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


PRIVATE = (b"cache-control", b"private, no-cache")
"""Proxies do not store answers, and browsers revalidate them each time (RFC 9111 section 5.2.2)."""

NAMELESS = "null"
"""The Origin that a browser sends where a policy, an add-on or a private window hides it (RFC 6454 section 7.3). Then
Sec-Fetch-Site, which no page can set, tells whether the page is ours."""


class Guard:
    """ASGI middleware: checks Host where names are known, refuses cross-site writes, sets protective headers.

    Whatever is refused, by it or behind it, is told in the log.
    """

    def __init__(self, app: ASGIApp, *, hosts: frozenset[str] | None) -> None:
        self._app, self._hosts = app, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        wanted = HEADERS if scope["path"].startswith("/static/") else (*HEADERS, PRIVATE)

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                refused.tell(scope, message["status"])
                present = {name.lower() for name, _ in message["headers"]}
                message["headers"] = [*message["headers"], *(h for h in wanted if h[0] not in present)]
            await send(message)

        headers = {name: value.decode("latin-1") for name, value in scope["headers"]}
        refusal = self._refusal(scope["method"], scope["path"], headers)
        if refusal is not None:
            await faced(Request(scope), problem(*refusal))(scope, receive, send_guarded)
            return
        await self._app(scope, receive, send_guarded)

    def _refusal(self, method: str, path: str, headers: dict[bytes, str]) -> tuple[int, str] | None:
        host = headers.get(b"host", "")
        if self._hosts is not None and _bare(host) not in self._hosts:
            return 421, Said("usage.this_server_answers_to_its_own")
        if method in SAFE_METHODS or b"authorization" in headers or path.startswith(SIGNED_PATHS):
            return None
        origin = headers.get(b"origin")
        site = headers.get(b"sec-fetch-site", "none")
        nameless = origin == NAMELESS and site == "same-origin"
        if origin is not None and not nameless and urlsplit(origin).netloc != host:
            return 403, Said("usage.a_page_of_another_site_may")
        if site not in ("none", "same-origin"):
            return 403, Said("usage.a_page_of_another_site_may")
        return None


def _bare(host: str) -> str:
    """A Host header without its port."""
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0].lower()


LOOPBACK_HOSTS = frozenset({"localhost", "127.0.0.1", "[::1]"})
