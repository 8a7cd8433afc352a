"""One HTTP request to the outside, with a deadline for all of it, so that a slow receiver is cut off too."""

from __future__ import annotations

import ssl
import time
from base64 import b64encode
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from typing import Any
from urllib.parse import unquote, urlsplit

import httpcore

from api.deliver.outcome import Later, Never
from collector.config.reach import addresses, host_of, public_only
from forecaster.texts.catalogue import words

DEADLINE_S = 8.0
"""From the name lookup to the last header of the answer [s]: below the ten seconds within which others are told."""

FAULTS = (
    httpcore.TimeoutException,
    httpcore.NetworkError,
    httpcore.ProtocolError,
    httpcore.UnsupportedProtocol,
    httpcore.ProxyError,
    OSError,
)


@dataclass(frozen=True, slots=True)
class OutwardAnswer:
    """Status and headers, the names in lower case. The body is not read."""

    status: int
    headers: Mapping[str, str]

    def retry_after_s(self, now_ms: int) -> float | None:
        """Retry-After in seconds (RFC 9110 section 10.2.3: seconds or a date); None without one."""
        value = self.headers.get("retry-after", "").strip()
        if not value:
            return None
        if value.isascii() and value.isdigit():
            return float(value[:9])
        try:
            return max(0.0, parsedate_to_datetime(value).timestamp() - now_ms / 1000.0)
        except ValueError:
            return None


class _Stream(httpcore.NetworkStream):
    """A network stream whose reads and writes all end at the deadline."""

    def __init__(self, inner: httpcore.NetworkStream, until_s: float) -> None:
        self._inner, self._until_s = inner, until_s

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        del timeout
        return self._inner.read(max_bytes, left_s(self._until_s))

    def write(self, buffer: bytes, timeout: float | None = None) -> None:
        del timeout
        self._inner.write(buffer, left_s(self._until_s))

    def close(self) -> None:
        self._inner.close()

    def start_tls(
        self, ssl_context: ssl.SSLContext, server_hostname: str | None = None, timeout: float | None = None
    ) -> httpcore.NetworkStream:
        del timeout
        return _Stream(self._inner.start_tls(ssl_context, server_hostname, left_s(self._until_s)), self._until_s)

    def get_extra_info(self, info: str) -> Any:
        return self._inner.get_extra_info(info)


class _Network(httpcore.NetworkBackend):
    """A network backend that checks addresses before it connects to them, and that keeps the deadline."""

    def __init__(self, until_s: float, allowed: Iterable[str] | None) -> None:
        self._until_s, self._allowed = until_s, allowed
        self._inner = httpcore.SyncBackend()

    def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[httpcore.SOCKET_OPTION] | None = None,
    ) -> httpcore.NetworkStream:
        del timeout
        known = addresses(host, port) if self._allowed is None else public_only(host, port, self._allowed)
        problem: Exception = OSError(words()("outcome.has_no_address", host=host))
        for address in known:
            try:
                stream = self._inner.connect_tcp(address, port, left_s(self._until_s), local_address, socket_options)
            except (httpcore.NetworkError, httpcore.ConnectTimeout) as error:
                problem = error
            else:
                return _Stream(stream, self._until_s)
        raise problem


def left_s(until_s: float) -> float:
    """Seconds left of a deadline; httpcore.ReadTimeout where there are none."""
    left = until_s - time.monotonic()
    if left <= 0.0:
        raise httpcore.ReadTimeout(words()("outcome.the_whole_attempt_took_too_long"))
    return left


def post(
    url: str,
    content: bytes,
    headers: Mapping[str, str],
    *,
    allowed: Iterable[str] | None = None,
    deadline_s: float = DEADLINE_S,
) -> OutwardAnswer | Later | Never:
    """Post once; redirects are not followed.

    allowed : names of hosts that may lie inside a private network; None: wherever the owner's file says
    """
    try:
        host = host_of(url)
    except ValueError as error:
        return Never(words()("outcome.its_address_cannot_be_used", error=str(error)))
    parts = urlsplit(url)
    given = {"Host": parts.netloc.rpartition("@")[2], "Content-Length": str(len(content)), **headers}
    if parts.username is not None:
        pair = f"{unquote(parts.username)}:{unquote(parts.password or '')}"
        given["Authorization"] = f"Basic {b64encode(pair.encode()).decode()}"
    target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    name = host if ":" in host else host.encode("idna").decode()
    aim = httpcore.URL(scheme=parts.scheme, host=name, port=parts.port, target=target.encode())
    network = _Network(time.monotonic() + deadline_s, allowed)
    try:
        with (
            httpcore.ConnectionPool(network_backend=network) as pool,
            pool.stream("POST", aim, headers=list(given.items()), content=content) as answer,
        ):
            told = {key.decode("latin-1").lower(): value.decode("latin-1") for key, value in answer.headers}
            return OutwardAnswer(answer.status, told)
    except PermissionError as error:
        return Never(words()("outcome.its_address_is_refused", error=str(error)))
    except FAULTS as error:
        return Later(
            words()("outcome.it_cannot_be_reached", name=type(error).__name__, error=str(error)), unreachable=True
        )
