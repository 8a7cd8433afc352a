"""One InfluxDB server: writes on the v2 path, reads in InfluxQL, and separates refusals from failures to retry.

Writes go through influxdb-client to `/api/v2/write`, which 1.8 and later, 2.x and 3.x answer; reads go to `/query`,
which all of them answer. A 1.6 or 1.7 server needs a proxy that rewrites the write path (deploy/nginx/influx-v1.conf).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import parse_qs, unquote, urlsplit

import httpx
import msgspec
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.rest import ApiException
from influxdb_client.service.write_service import WriteService
from urllib3.exceptions import HTTPError as TransportError

from collector.config.addresses import without_password
from forecaster.domain.errors import ConfigError, StoreRefused, StoreUnavailable
from forecaster.texts.catalogue import Said, words

PERMANENT = frozenset({400, 413, 422})
"""HTTP statuses that the same body will always get; all others are worth a retry."""


@dataclass(frozen=True, slots=True)
class InfluxAddress:
    """Where the server is: base URL, bucket, organisation, token (or None)."""

    url: str
    bucket: str
    org: str
    token: str | None


@dataclass(frozen=True, slots=True)
class InfluxTable:
    """One series of a query's answer: its tags and its rows, each a mapping of column to value."""

    tags: Mapping[str, str]
    rows: tuple[Mapping[str, float | int | str | None], ...]


class BodyTooLarge(StoreRefused):
    """The server accepts only smaller bodies: halve the batch."""


def parse_address(url: str, token: str | None = None) -> InfluxAddress:
    """Read `influx+http://[user:password@]host:port/bucket[?org=…]` (or `influx+https://…`); ConfigError."""
    parts = urlsplit(url)
    bucket = parts.path.strip("/")
    if not parts.hostname or not bucket:
        raise ConfigError(
            "outlast.toml",
            "store.url",
            Said("config.names_no_host_or_no_bucket", url=without_password(url)),
            Said("config.write_influx_http_host_8086_bucket"),
        )
    if token is None and parts.username is not None:
        token = f"{unquote(parts.username)}:{unquote(parts.password or '')}"
    port = f":{parts.port}" if parts.port else ""
    scheme = parts.scheme.removeprefix("influx+")
    org = parse_qs(parts.query).get("org", ["-"])[0]
    return InfluxAddress(f"{scheme}://{parts.hostname}{port}", bucket, org, token)


class InfluxServer:
    """The connection to one server. StoreUnavailable: it may work later; StoreRefused: it never will."""

    def __init__(self, address: InfluxAddress, timeout_s: float = 10.0) -> None:
        self._address = address
        self._client = InfluxDBClient(
            url=address.url, token=address.token or "", org=address.org, timeout=int(timeout_s * 1000)
        )
        self._writes = WriteService(self._client.api_client)
        headers = {} if address.token is None else {"Authorization": f"Token {address.token}"}
        self._http = httpx.Client(base_url=address.url, timeout=timeout_s, headers=headers)

    def write(self, bucket: str, lines: Sequence[str], precision: str) -> None:
        """Write lines of line protocol. On return the server has all of them."""
        try:
            self._writes.post_write(self._address.org, bucket, "\n".join(lines), precision=precision)
        except ApiException as error:
            says = " ".join(str(error.body or error.reason).split())
            if error.status == 413:
                raise BodyTooLarge(words()("store.influxdb_answered_413", says=says)) from error
            if error.status in PERMANENT:
                raise StoreRefused(words()("store.influxdb_answered_2", status=error.status, says=says)) from error
            raise StoreUnavailable(words()("store.influxdb_answered_2", status=error.status, says=says)) from error
        except (TransportError, OSError) as error:
            raise StoreUnavailable(
                words()("store.influxdb_at_cannot_be_reached", url=self._address.url, error=str(error))
            ) from error

    def query(self, influxql: str, bucket: str | None = None, timeout_s: float | None = None) -> list[InfluxTable]:
        """Run one InfluxQL statement; times come back in microseconds.

        timeout_s : float — how long this statement may take [s]; None: as long as any other
        """
        patience = self._http.timeout if timeout_s is None else httpx.Timeout(timeout_s)
        try:
            answer = self._http.post(
                "/query",
                params={"db": bucket or self._address.bucket, "epoch": "u"},
                data={"q": influxql},
                timeout=patience,
            )
        except httpx.HTTPError as error:
            raise StoreUnavailable(
                words()("store.influxdb_at_cannot_be_reached", url=self._address.url, error=str(error))
            ) from error
        if answer.status_code >= 500 or answer.status_code in (401, 403, 404, 429):
            raise StoreUnavailable(
                words()("store.influxdb_answered", status_code=answer.status_code, text=answer.text[:200])
            )
        body = msgspec.json.decode(answer.content)
        result = body.get("results", [{}])[0]
        fault = body.get("error") or result.get("error")
        if fault:
            raise StoreRefused(words()("store.influxdb_refused_the_query", fault=fault))
        return [
            InfluxTable(
                series.get("tags", {}),
                tuple(dict(zip(series["columns"], row, strict=True)) for row in series.get("values", [])),
            )
            for series in result.get("series", [])
        ]

    def version(self) -> str:
        """The version that the server tells; StoreUnavailable."""
        try:
            answer = self._http.get("/ping")
        except httpx.HTTPError as error:
            raise StoreUnavailable(
                words()("store.influxdb_at_cannot_be_reached", url=self._address.url, error=str(error))
            ) from error
        return str(answer.headers.get("X-Influxdb-Version", "unknown"))

    def ensure_bucket(self, bucket: str, keep_s: int) -> bool:
        """Make the bucket if it is missing, with a retention (0: for ever). Whether the server drops what is older."""
        if self.version().lstrip("v").startswith("1."):
            self._ensure_database(bucket, keep_s)
            return keep_s > 0
        try:
            buckets = self._client.buckets_api()
            found = buckets.find_bucket_by_name(bucket)
            if found is None:
                rules = {"type": "expire", "everySeconds": keep_s}
                found = buckets.create_bucket(bucket_name=bucket, org=self._address.org, retention_rules=[rules])
            return keep_s > 0 and any(rule.every_seconds == keep_s for rule in found.retention_rules)
        except ApiException as error:
            raise StoreUnavailable(
                words()("store.influxdb_bucket_cannot_be_made", bucket=bucket, status=error.status, reason=error.reason)
            ) from error
        except (TransportError, OSError) as error:
            raise StoreUnavailable(
                words()("store.influxdb_at_cannot_be_reached", url=self._address.url, error=str(error))
            ) from error

    def _ensure_database(self, bucket: str, keep_s: int) -> None:
        keep = "INF" if keep_s == 0 else f"{keep_s}s"
        known = {row["name"] for table in self.query("SHOW DATABASES") for row in table.rows}
        if bucket not in known:
            self.query(f'CREATE DATABASE {quoted(bucket)} WITH DURATION {keep} NAME "autogen"')
        else:
            self.query(f'ALTER RETENTION POLICY "autogen" ON {quoted(bucket)} DURATION {keep} DEFAULT')

    def close(self) -> None:
        """Let go of the connections."""
        self._client.close()
        self._http.close()


def quoted(identifier: str) -> str:
    """An InfluxQL identifier in double quotes."""
    escaped = identifier.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def literal(text: str) -> str:
    """An InfluxQL string literal in single quotes."""
    escaped = text.replace("\\", "\\\\").replace("'", "\\'")
    return f"'{escaped}'"
