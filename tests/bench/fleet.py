"""A fleet of simulated basements for load tests: their site files, and a publisher that keeps a fixed rate."""

from __future__ import annotations

import json
import multiprocessing
import multiprocessing.pool
import time
from collections import deque
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

SITE = """id = "{id}"
name = "Cellar {number}"
timezone = "America/Chicago"
[pump]
rated_voltage_v = 115
rated_power_w = 480
[pit]
diameter_m = 0.46
drawdown_m = 0.18
freeboard_m = 0.30
[pack]
capacity_wh = 1024
continuous_w = 900
surge_w = 1800
[[channels]]
quantity = "pump_power"
topic = "fleet/{id}/plug"
value = "$.power"
unit = "W"
time = "$.time"
[[channels]]
quantity = "pack_charge"
topic = "fleet/{id}/pack"
value = "$.charge"
unit = "%"
time = "$.time"
"""

PACK_EVERY = 5
"""One message in this many tells the charge, the others the pump's power."""

ON_PACK = 10
"""One site in this many has lost its mains; of a storm over all of them it is 1."""

OUTAGE_S, OUTAGE_PERCENT = 8 * 3600.0, 85.0
"""The charge falls by so much in so long, and is full again when the mains come back."""


def site_id(number: int) -> str:
    """Id of the numbered site."""
    return f"cellar-{number:05d}"


def write_fleet(
    folder: Path, sites: int, broker_url: str, store_url: str, *, username: str | None = None, password: str = ""
) -> None:
    """An installation with that many sites, no outside contacts."""
    (folder / "sites").mkdir(parents=True, exist_ok=True)
    (folder / "broker-password").write_text(f"{password}\n")
    user = "" if username is None else f'username = "{username}"\npassword_file = "broker-password"\n'
    (folder / "outlast.toml").write_text(
        f'[broker]\nurl = "{broker_url}"\nclient_id = "load"\n{user}[store]\nurl = "{store_url}"\n'
    )
    for number in range(sites):
        text = SITE.format(id=site_id(number), number=number)
        (folder / "sites" / f"{site_id(number)}.toml").write_text(text)


def message(number: int, turn: int, now_ms: int, on_pack: int = ON_PACK) -> tuple[str, bytes]:
    """Topic and payload of a site's message: a 10 s run every 200 s or so; on the pack a charge that falls."""
    if turn % PACK_EVERY == number % PACK_EVERY:
        share = (now_ms / 1000.0 % OUTAGE_S) / OUTAGE_S if number % on_pack == 0 else 0.0
        charge = 100.0 - OUTAGE_PERCENT * share
        return f"fleet/{site_id(number)}/pack", json.dumps({"charge": round(charge, 1), "time": now_ms}).encode()
    phase_s = (now_ms / 1000.0 + number * 7.0) % (180.0 + number % 60)
    power = 470.0 + number % 30 if phase_s < 10.0 else 0.4
    return f"fleet/{site_id(number)}/plug", json.dumps({"power": power, "time": now_ms}).encode()


UNDER_WAY = 500
"""Messages not yet acknowledged at once: the client looks through all of them at every answer."""


def settle(info: mqtt.MQTTMessageInfo) -> None:
    """Wait until the broker has taken a message."""
    info.wait_for_publish(300)
    assert info.is_published(), "the broker has not taken a message within five minutes"


@dataclass(frozen=True, slots=True)
class Published:
    """What the publisher did: messages acknowledged by the broker, and the seconds it took."""

    messages: int
    seconds: float


@dataclass(frozen=True, slots=True)
class Load:
    """What is published: to which broker's port, of how many sites, messages a second, for how many seconds.

    on_pack : int — one site in so many has lost its mains
    """

    port: int
    sites: int
    rate: float
    seconds: float
    username: str | None = None
    password: str | None = None
    on_pack: int = ON_PACK


def publish(load: Load) -> Published:
    """Publish at QoS 1 and a fixed rate, each message with a source time of its own; ends by itself."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="load-publisher", protocol=mqtt.MQTTv5)
    client.username_pw_set(load.username, load.password)
    client.max_inflight_messages_set(2000)
    client.max_queued_messages_set(0)
    client.connect("127.0.0.1", load.port)
    client.loop_start()
    begun, begun_ms, total = time.monotonic(), int(time.time() * 1000), int(load.rate * load.seconds)
    waiting: deque[mqtt.MQTTMessageInfo] = deque()
    for index in range(total):
        turn, number = divmod(index, load.sites)
        topic, payload = message(number, turn, begun_ms + int(index * 1000 / load.rate), load.on_pack)
        waiting.append(client.publish(topic, payload, qos=1))
        if index % 100 == 99:
            early = begun + (index + 1) / load.rate - time.monotonic()
            if early > 0:
                time.sleep(early)
            while len(waiting) > UNDER_WAY:
                settle(waiting.popleft())
    while waiting:
        settle(waiting.popleft())
    took = time.monotonic() - begun
    client.disconnect()
    client.loop_stop()
    return Published(total, took)


def publish_apart(load: Load) -> multiprocessing.pool.AsyncResult[Published]:
    """The same in a process of its own."""
    pool = multiprocessing.get_context("spawn").Pool(1)
    result = pool.apply_async(publish, (load,))
    pool.close()
    return result
