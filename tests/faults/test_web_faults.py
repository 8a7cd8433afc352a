"""Clients that dawdle, crowd and pour, against a real process: what each was answered, and the memory it took."""

from __future__ import annotations

import asyncio
import sys
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


def test_heads_and_bodies_that_trickle(one: House) -> None:
    """In: 100 heads and 100 bodies a byte a second. Out: 100 hung up on, 100 times 408, others answered meanwhile."""

    async def trickle(number: int) -> bytes:
        async with connections(one.port, 1) as [(reader, writer)]:
            head = b"POST /api/v1/sizing HTTP/1.1\r\nHost: 127.0.0.1\r\n"
            writer.write(head + (b"Content-Length: 1000\r\n\r\n" if number % 2 else b"X-Slow: "))
            answer = asyncio.create_task(until_closed(reader))
            while not answer.done():
                writer.write(b"x")
                await asyncio.wait([answer], timeout=1.0)
            return answer.result()

    def attack() -> None:
        got = all_at_once(trickle, 2 * SLOW)
        assert [answer[:12] for answer in got].count(b"HTTP/1.1 408") == SLOW
        assert got.count(b"") == SLOW

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
