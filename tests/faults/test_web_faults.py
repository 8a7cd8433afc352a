"""Clients that dawdle, crowd and pour, against a real process: what each was answered, and the memory it took."""

from __future__ import annotations

import asyncio
import sys
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, suppress
from functools import partial
from pathlib import Path

import pytest

from api.http.bodies import LIMIT_BYTES
from api.http.connections import MOST
from tests.api.process.houses import PATIENCE_S, House, house
from tests.servers import running_mosquitto

pytestmark = pytest.mark.timeout(900)

Ends = tuple[asyncio.StreamReader, asyncio.StreamWriter]

LIMIT_MB = 400.0
STREAMS, NEWS = 500, 5
SLOW = 100


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """One process for all attacks, one after another."""
    work = tmp_path_factory.mktemp("web")
    with running_mosquitto(work / "mosquitto") as broker, house(work / "house", broker) as made:
        made.write()
        made.start()
        yield made


def bounded(one: House, attack: Callable[[], None]) -> None:
    """Hold the memory that an attack takes below the limit, and the process alive."""
    assert one.process is not None
    Path(f"/proc/{one.process.pid}/clear_refs").write_text("5")  # VmHWM begins anew (proc(5))
    attack()
    assert one.status("/livez") == 200
    sys.stdout.write(f"at most {one.peak_mb():.0f} MB\n")
    assert one.peak_mb() < LIMIT_MB


def all_at_once(work: Callable[[int], Awaitable[bytes]], count: int) -> list[bytes]:
    """What each of so many clients got."""

    async def everybody() -> list[bytes]:
        return list(await asyncio.gather(*(work(number) for number in range(count))))

    return asyncio.run(everybody())


@asynccontextmanager
async def connections(port: int, count: int) -> AsyncIterator[list[Ends]]:
    """So many connections, closed with the block."""
    held = [await asyncio.open_connection("127.0.0.1", port) for _ in range(count)]
    try:
        yield held
    finally:
        for _, writer in held:
            writer.close()
        await asyncio.gather(*(writer.wait_closed() for _, writer in held), return_exceptions=True)


async def until_closed(reader: asyncio.StreamReader) -> bytes:
    """All that the server says until it hangs up; what came before a reset counts."""
    said = bytearray()
    with suppress(ConnectionResetError):
        while some := await asyncio.wait_for(reader.read(2**16), PATIENCE_S):
            said += some
    return bytes(said)


def test_five_hundred_event_streams(one: House) -> None:
    """In: 500 clients, 5 readings. Out: 500 states, 2,500 readings, and an ordinary request answered between them."""

    async def listen() -> list[int]:
        async with connections(one.port, STREAMS) as held:
            for _, writer in held:
                writer.write(b"GET /api/v1/stream?events=reading HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            await asyncio.gather(*(asyncio.wait_for(r.readuntil(b"event: state"), PATIENCE_S) for r, _ in held))
            assert await asyncio.to_thread(one.status, "/livez") == 200
            await asyncio.to_thread(one.publish, NEWS)
            return list(await asyncio.gather(*(asyncio.wait_for(readings(r), PATIENCE_S) for r, _ in held)))

    async def readings(reader: asyncio.StreamReader) -> int:
        for _ in range(NEWS):
            await reader.readuntil(b"event: reading")
        return NEWS

    bounded(one, lambda: check(asyncio.run(listen()) == [NEWS] * STREAMS))


def check(true: bool) -> None:
    assert true


DRIPPED = (
    "X-Slow: ",
    "Content-Length: 1000\r\n\r\n",
    "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 1000\r\n\r\ntoken=",
    "Content-Type: multipart/form-data; boundary=b\r\nContent-Length: 1000\r\n\r\n--b\r\n",
    "Transfer-Encoding: chunked\r\n\r\n",
)
"""A head that goes on, a body, two kinds of forms, and the length of a chunk."""


@pytest.mark.parametrize("seconds", [1, pytest.param(60, marks=pytest.mark.long)])
def test_heads_bodies_and_forms_that_trickle(one: House, seconds: int) -> None:
    """In: 200 requests a byte a second, each begun anew for so long as `seconds` have not passed. Out: heads are hung
    up on, every body and form is 408 (a chunk's endless length 400 or 408), and others are answered meanwhile."""

    async def trickle(number: int) -> bytes:
        begun_s, answers = time.monotonic(), list[bytes]()
        while not answers or time.monotonic() - begun_s < seconds:
            async with connections(one.port, 1) as [(reader, writer)]:
                path = "/login" if "form" in DRIPPED[number % len(DRIPPED)] else "/api/v1/sizing"
                writer.write(f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n{DRIPPED[number % len(DRIPPED)]}".encode())
                answer = asyncio.create_task(until_closed(reader))
                while not answer.done():
                    writer.write(b"0")
                    await asyncio.wait([answer], timeout=1.0)
                answers.append(answer.result()[:12])
        assert len(set(answers)) == 1
        return answers[0]

    def attack() -> None:
        got = all_at_once(trickle, 2 * SLOW)
        assert set(got[0 :: len(DRIPPED)]) == {b""}
        for kind in range(1, len(DRIPPED)):
            assert set(got[kind :: len(DRIPPED)]) <= {b"HTTP/1.1 408", b"HTTP/1.1 400"}, DRIPPED[kind]
        assert set(got[1 :: len(DRIPPED)]) == {b"HTTP/1.1 408"}

    bounded(one, attack)


def test_more_connections_than_there_may_be(one: House) -> None:
    """In: 500 more connections than there may be that say nothing, then a request. Out: the request is answered."""

    async def crowd() -> None:
        async with connections(one.port, MOST + 500) as held:
            assert await asyncio.to_thread(one.status, "/livez") == 200
            await asyncio.wait_for(asyncio.gather(*(until_closed(reader) for reader, _ in held)), PATIENCE_S)

    bounded(one, lambda: asyncio.run(crowd()))


DEEP = b"[" * 250_000
POURED: dict[str, tuple[bytes, tuple[int, ...]]] = {
    "a header of 1 MB": (b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"x" * 2**20 + b"\r\n\r\n", (400, 431)),
    "20,000 headers": (b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n" + b"x: y\r\n" * 20_000 + b"\r\n", (200, 400, 431)),
    "a query of 50 kB": (
        b"GET /api/v1/alarms?" + b"a=1&" * 12_500 + b" HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", (200, 422)
    ),
    "nested 250,000 deep": (
        b"POST /api/v1/sizing HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
        + f"Content-Length: {len(DEEP)}\r\n\r\n".encode() + DEEP,
        (400, 422),
    ),
    "an event id of 60 kB": (
        b"GET /api/v1/stream HTTP/1.1\r\nHost: 127.0.0.1\r\nLast-Event-ID: " + b"9" * 60_000 + b"\r\n\r\n", (422,)
    ),
    "a body that is too long": (
        f"POST /login HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: {LIMIT_BYTES + 1}\r\n\r\n".encode(), (413,)
    ),
}  # fmt: skip


def test_what_is_poured_in(one: House) -> None:
    """In: 20 at once of each. Out: each answered, as the asker's fault where it is one, below 400 MB."""

    async def pour(sent: bytes) -> bytes:
        async with connections(one.port, 1) as [(reader, writer)]:
            writer.write(sent)
            try:
                return await asyncio.wait_for(reader.readline(), PATIENCE_S)
            except ConnectionResetError:
                return b"HTTP/1.1 400 "  # hung up on while it still poured

    def attack() -> None:
        for name, (request, codes) in POURED.items():
            got = all_at_once(partial(again, request), 20)
            assert {int(answer.split()[1]) for answer in got} <= set(codes), name

    async def again(request: bytes, _number: int) -> bytes:
        return await pour(request)

    bounded(one, attack)


def asked(head: str, body: bytes = b"", method: str = "POST /api/v1/sizing") -> bytes:
    return f"{method} HTTP/1.1\r\nHost: 127.0.0.1\r\n{head}\r\n".encode("latin-1") + body


HIDDEN = asked("", method="GET /livez")
"""A request that stands where a body may be seen."""
CHUNKED = "Transfer-Encoding: chunked\r\n"
NOTHING = b"0\r\n\r\n"

SMUGGLED: dict[str, tuple[bytes, int]] = {
    "a length and chunks": (asked("Content-Length: 4\r\n" + CHUNKED, NOTHING + HIDDEN), 400),
    "a length and chunks of a GET": (asked("Content-Length: 4\r\n" + CHUNKED, NOTHING + HIDDEN, "GET /livez"), 400),
    "two lengths": (asked("Content-Length: 4\r\nContent-Length: 40\r\n", b"abcd" + HIDDEN), 400),
    "a length with a sign": (asked("Content-Length: +4\r\n", b"abcd" + HIDDEN), 400),
    "a length below zero": (asked("Content-Length: -4\r\n", b"abcd" + HIDDEN), 400),
    "a length of 5,000 digits": (asked(f"Content-Length: {'9' * 5_000}\r\n", b"abcd" + HIDDEN), 400),
    "chunks by another name": (asked("Transfer-Encoding: xchunked\r\n", NOTHING + HIDDEN), 400),
    "two codings": (asked(CHUNKED + "Transfer-Encoding: identity\r\n", NOTHING + HIDDEN), 400),
    "a blank before the colon": (asked("Transfer-Encoding : chunked\r\n", NOTHING + HIDDEN), 400),
    "a chunk below zero": (asked(CHUNKED, b"-1\r\nabc\r\n" + NOTHING + HIDDEN), 400),
    "a chunk in C's notation": (asked(CHUNKED, b"0x4\r\nabcd\r\n" + NOTHING + HIDDEN), 400),
    "a lone carriage return": (asked("X: a\rTransfer-Encoding: chunked\r\n", HIDDEN), 400),
    "two hosts": (asked("Host: elder.example\r\n", HIDDEN, "GET /livez"), 400),
}  # fmt: skip
"""Forms in which a proxy and a server may see two different requests (RFC 9112 sections 6.1, 6.3 and 11.2)."""


def test_no_request_hides_within_another(one: House) -> None:
    """In: each form. Out: refused, the connection ended, and the request that follows never answered."""

    async def answers(number: int) -> bytes:
        async with connections(one.port, 1) as [(reader, writer)]:
            writer.write(list(SMUGGLED.values())[number][0])
            return await until_closed(reader)

    def attack() -> None:
        got = all_at_once(answers, len(SMUGGLED))
        for (name, (_, code)), answer in zip(SMUGGLED.items(), got, strict=True):
            assert answer.startswith(f"HTTP/1.1 {code} ".encode()), name
            assert answer.count(b"HTTP/1.1 ") == 1, name

    bounded(one, attack)


UPGRADE = (
    "Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
    "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n"  # the key of RFC 6455 section 1.3
)
FORM = "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: "

WALKED: dict[str, tuple[bytes, tuple[int, ...]]] = {
    "an upgrade to a websocket": (asked("Upgrade: websocket\r\n" + UPGRADE, method="GET /livez"), (200,)),
    "an upgrade to HTTP/2": (asked("Upgrade: h2c\r\nConnection: Upgrade\r\n", method="GET /livez"), (200,)),
    "HTTP/2 from the first byte": (b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", (400, 421)),
    "TLS": (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + b"\0" * 500, (400,)),
    "a proxy asked for": (asked("", method="CONNECT elder.example:443"), (400, 404, 405)),
    "an echo asked for": (asked("X: secret\r\n", method="TRACE /"), (405,)),
    "another's host": (b"GET / HTTP/1.1\r\nHost: elder.example\r\n\r\n", (421,)),
    "5,000 cookies": (
        asked(f"Cookie: {'; '.join(f'c{n}=x' for n in range(5_000))}\r\n", method="GET /api/v1/sites"), (200,)
    ),
    "3,000 lines of cookies": (asked("Cookie: a=b\r\n" * 3_000, method="GET /api/v1/sites"), (200,)),
    "cookies of no form": (asked("Cookie: ==;;;\"\\\";=;\xff\r\n", method="GET /api/v1/sites"), (200, 400)),
    "a path out of the static files": (asked("", method="GET /static/..%2f..%2f..%2fetc%2fpasswd"), (404,)),
    "a path in plain dots": (asked("", method="GET /static/../../../../etc/passwd"), (404,)),
    "a site that is a path": (asked("", method="GET /api/v1/sites/..%2f..%2foutlast/forecast"), (404, 422)),
    "a site with backslashes": (asked("", method="GET /api/v1/sites/..%5c..%5coutlast.toml/forecast"), (404, 422)),
    "a page of a path": (asked("", method="GET /sites/%2e%2e%2f%2e%2e%2fetc"), (404,)),
    "a zero in a path": (asked("", method="GET /sites/a%00b"), (404,)),
    "bytes that are no UTF-8": (asked("", method="GET /sites/%ff%fe"), (404,)),
    "a path of 50 kB": (asked("", method=f"GET /{'a' * 50_000}"), (404,)),
    "a header in an address": (
        asked("", method="GET /language/en?next=/%0d%0aSet-Cookie:%20a=b"), (303,)
    ),
    "5,000 ranges": (asked(f"Range: bytes={'0-1,' * 5_000}\r\n", method="GET /static/outlast.css"), (200, 206, 416)),
    "6,000 languages": (asked(f"Accept-Language: {'es;q=0.1,' * 6_000}\r\n", method="GET /livez"), (200,)),
    "5,000 entity tags": (asked(f"If-None-Match: {chr(34) * 2 + ','}\r\n" * 5_000, method="GET /"), (200, 400, 431)),
    "a form of 50,000 fields": (asked(f"{FORM}250000\r\n", b"abcd&" * 50_000, "POST /login"), (400, 401, 403)),
    "a number of 5,000 digits": (asked("Content-Length: 5013\r\n", b'{"run_s": ' + b"1" * 5_002 + b"}"), (400, 422)),
    "a body said to be packed": (
        asked("Content-Encoding: gzip\r\nContent-Length: 4\r\n", b"\x1f\x8b\0\0"), (400, 415, 422)
    ),
}  # fmt: skip


def test_an_attackers_walk(one: House) -> None:
    """In: each 5 at once. Out: each answered, none by an error of the server, and nothing that lies outside told."""

    async def answer(number: int) -> bytes:
        async with connections(one.port, 1) as [(reader, writer)]:
            writer.write(list(WALKED.values())[number % len(WALKED)][0])
            return await until_closed(reader)

    def attack() -> None:
        got = all_at_once(answer, 5 * len(WALKED))
        for number, (name, (_, codes)) in enumerate(WALKED.items()):
            for said in got[number :: len(WALKED)]:
                assert said.startswith(b"HTTP/1.1 "), name
                assert int(said.split()[1]) in codes, (name, said[:80])
                assert b"root:" not in said
                assert b"Set-Cookie: a=b" not in said

    bounded(one, attack)
