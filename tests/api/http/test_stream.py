"""The event stream: bounded, resumed by id, and never in the way of an end."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from sse_starlette import ServerSentEvent

from api.http.stream import QUEUE_LIMIT, REPLAY_LIMIT, Hub, StreamKind
from collector.config.settings import site_toml
from collector.mqtt.embedded import free_port
from forecaster.domain.quantities import Quantity
from forecaster.twin.live import LiveSite
from forecaster.twin.messages import payload_of
from tests.engines import answers, wait_until

AT_MS = 1_772_510_700_000


def mark(number: int, boot: str = "boot") -> str:
    """The id of an event."""
    return f"{boot}-{number}-0-{AT_MS}"


async def some(events: AsyncIterator[ServerSentEvent], count: int) -> list[ServerSentEvent]:
    found = []
    async for event in events:
        found.append(event)
        if len(found) == count:
            break
    return found


def test_events_reach_those_who_listen_to_the_site() -> None:
    async def scenario() -> None:
        hub = Hub("boot", now_ms=lambda: AT_MS)
        one, everything = hub.join(frozenset({"a"})), hub.join(None)
        for site in ("a", "b", "a"):
            threading.Thread(target=hub.publish, args=(StreamKind.FORECAST, site, f'"{site}"')).start()
        assert [e.data for e in await some(one.events(), 2)] == ['"a"', '"a"']
        assert {e.data for e in await some(everything.events(), 3)} == {'"a"', '"b"'}

    asyncio.run(scenario())


def test_what_was_missed_comes_first_after_a_reconnect() -> None:
    async def scenario() -> None:
        hub = Hub("boot", now_ms=lambda: AT_MS)
        for number in range(5):
            hub.publish(StreamKind.FORECAST, "a", str(number))
        hub.publish(StreamKind.READING, "a", "a reading is not kept")
        client = hub.join(frozenset({"a"}), mark(3))
        missed = [event.sent() for event in client.missed]
        assert [(e.id, e.data) for e in missed] == [(mark(4), "3"), (mark(5), "4")]
        stranger = hub.join(frozenset({"a"}), mark(3, "other"))
        hub.publish(StreamKind.FORECAST, "a", "new")
        assert stranger.missed == []
        assert [e.data for e in await some(stranger.events(), 1)] == ["new"]

    asyncio.run(scenario())


def test_many_forecasts_push_out_no_alarm() -> None:
    """As with ten thousand sites: who comes back gets the alarm missed, then the state; who wants alarms only, that."""

    async def scenario() -> None:
        hub = Hub("boot", now_ms=lambda: AT_MS)
        hub.publish(StreamKind.FORECAST, "a", "seen")
        hub.publish(StreamKind.ALARM, "a", "the alarm")
        for number in range(REPLAY_LIMIT + 10):
            hub.publish(StreamKind.FORECAST, "b", str(number))
        back = hub.join(None, mark(1))
        assert ([event.data for event in back.missed], back.resumed) == (["the alarm"], False)
        chosen = hub.join(None, mark(1), frozenset({StreamKind.ALARM}))
        assert ([event.data for event in chosen.missed], chosen.resumed) == (["the alarm"], True)
        assert hub.join(frozenset({"b"}), mark(1)).missed == []

    asyncio.run(scenario())


def test_only_what_is_still_known_is_resumed() -> None:
    """An id of another start, one that was never given, and one whose successors were forgotten: state is needed."""

    async def scenario() -> None:
        hub = Hub("boot", now_ms=lambda: AT_MS)
        for number in range(REPLAY_LIMIT + 10):
            hub.publish(StreamKind.FORECAST, "a", str(number))
        last = REPLAY_LIMIT + 10
        known = {mark(last), mark(last - 5), mark(10)}
        none = {None, "", "boot-5", "boot-x-0-1", "boot--1-0-1", "boot-²-0-1", f"boot-5-0-{10**18}", "boot-5-0-1-1"}
        unknown = none | {mark(5, "other"), mark(9), mark(last + 1)}
        assert {name for name in known | unknown if hub.join(None, name).resumed} == known
        assert {name for name in known | unknown if hub.join(None, name).since is None} == none
        assert not hub.join(None, mark(5, "other"), frozenset({StreamKind.READING})).resumed

    asyncio.run(scenario())


def test_a_client_chooses_its_kinds() -> None:
    async def scenario() -> None:
        hub = Hub("boot", now_ms=lambda: AT_MS)
        client = hub.join(None, None, frozenset({StreamKind.ALARM}))
        for kind in StreamKind:
            hub.publish(kind, "a", kind.value)
        hub.publish(StreamKind.ALARM, "a", "second")
        assert [e.data for e in await some(client.events(), 2)] == ["alarm", "second"]

    asyncio.run(scenario())


@pytest.mark.parametrize("kind", [StreamKind.READING, StreamKind.FORECAST])
def test_a_slow_reader_loses_readings_and_forecasts_before_alarms_and_is_told(kind: StreamKind) -> None:
    async def scenario() -> None:
        hub = Hub("boot", now_ms=lambda: AT_MS)
        client = hub.join(None)
        hub.publish(StreamKind.ALARM, "a", "the alarm")
        for number in range(QUEUE_LIMIT + 50):
            hub.publish(kind, "a", str(number))
        found = await some(client.events(), QUEUE_LIMIT + 1)
        assert found[0].event == "lost"
        assert json.loads(str(found[0].data)) == {"count": 51}
        assert found[1].data == "the alarm"
        assert found[-1].data == str(QUEUE_LIMIT + 49)

    asyncio.run(scenario())


def test_whoever_goes_is_forgotten_and_a_closed_hub_ends_all() -> None:
    async def scenario() -> None:
        hub = Hub("boot", now_ms=lambda: AT_MS)
        client = hub.join(None)
        assert hub.clients == 1
        assert hub.wanted() is None
        reading = asyncio.create_task(some(client.events(), 1))
        await asyncio.sleep(0)
        hub.close()
        assert await reading == []
        assert hub.clients == 0

    asyncio.run(scenario())


@pytest.fixture
def installation(tmp_path: Path) -> Path:
    live = LiveSite(seed=1, start_ms=1_772_500_000_000)
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "larkspur.toml").write_text(site_toml(live.site), encoding="utf-8")
    (tmp_path / "outlast.toml").write_text(
        f'[broker]\nurl = "embedded"\nlisten_port = {free_port()}\n[http]\nport = {free_port()}\n', encoding="utf-8"
    )
    return tmp_path


def started(folder: Path, command: str) -> subprocess.Popen[str]:
    code = "import sys; from api.cli import main; sys.exit(main(sys.argv[1:]))"
    return subprocess.Popen(
        [sys.executable, "-c", code, command, "--config", str(folder)],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip


def port_of(folder: Path, key: str) -> int:
    line = next(
        x for x in (folder / "outlast.toml").read_text(encoding="utf-8").splitlines() if x.startswith(f"{key} =")
    )
    return int(line.split("=")[1])


def wait_ready(base: str) -> None:
    for _ in range(600):
        try:
            if httpx.get(f"{base}/readyz", timeout=5.0).status_code == 200:
                return
        except httpx.TransportError:
            threading.Event().wait(0.1)
    raise AssertionError("the server did not come up")


@pytest.mark.slow
@pytest.mark.parametrize("commands", [("run",), ("collect", "forecast", "serve")], ids="+".join)
def test_a_message_reaches_the_stream_and_sigterm_ends_all_with_the_stream_open(
    installation: Path, commands: tuple[str, ...]
) -> None:
    """Real processes with a broker of their own: message in, events out, SIGTERM, exit 0 within five seconds."""
    processes = [started(installation, command) for command in commands]
    try:
        base = f"http://127.0.0.1:{port_of(installation, 'port')}"
        broker = port_of(installation, "listen_port")
        wait_until(lambda: answers(broker), "the embedded broker")
        wait_ready(base)
        with httpx.stream("GET", f"{base}/api/v1/stream", params={"site": "larkspur"}, timeout=30.0) as answer:
            assert answer.headers["content-type"].startswith("text/event-stream")
            assert answer.headers["x-accel-buffering"] == "no"
            kinds: dict[str, str] = {}
            kind = ""
            with publishing(broker):
                give_up_s = time.monotonic() + 60.0
                for line in answer.iter_lines():
                    if line.startswith("event: "):
                        kind = line.removeprefix("event: ")
                    if line.startswith("data: "):
                        kinds.setdefault(kind, line.removeprefix("data: "))
                    if {"reading", "forecast"} <= kinds.keys() or time.monotonic() > give_up_s:
                        break
            for process in processes:
                process.send_signal(signal.SIGTERM)
            assert [process.wait(timeout=120.0) for process in processes] == [0] * len(processes)
    finally:
        for process in processes:
            process.kill()
        told = "".join(process.communicate()[0] for process in processes)
    assert {"reading", "forecast"} <= kinds.keys(), told
    assert next(iter(kinds)) == "state"
    state = json.loads(kinds["state"])
    assert [(site["site"], site["alarms"]) for site in state["sites"]] == [("larkspur", [])]
    assert state["last"] is True
    assert "Traceback" not in told


@contextmanager
def publishing(port: int) -> Iterator[None]:
    """Send the pump's power five times a second while the block runs."""
    publisher = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    publisher.connect("127.0.0.1", port)
    publisher.loop_start()
    stop = threading.Event()

    def publish() -> None:
        watts = 0
        while not stop.wait(0.2):
            watts += 1
            body = payload_of(Quantity.PUMP_POWER, time.time_ns() // 1_000_000, watts % 400)
            publisher.publish("cellar/plug/pump_power", body, qos=1)

    sender = threading.Thread(target=publish, daemon=True)
    sender.start()
    try:
        yield
    finally:
        stop.set()
        sender.join()
        publisher.disconnect()
        publisher.loop_stop()
