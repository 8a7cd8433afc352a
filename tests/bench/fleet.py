"""A fleet of simulated basements for load tests: their site files, and a publisher that keeps a fixed rate."""

from __future__ import annotations

import json
import multiprocessing
import multiprocessing.pool
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.bench.packets import connect, packet
from tests.bench.packets import publish as packets_published

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
    begun_ms = int(time.time() * 1000)

    def made() -> Iterator[bytes]:
        for index in range(int(load.rate * load.seconds)):
            turn, number = divmod(index, load.sites)
            at_ms = begun_ms + int(index * 1000 / load.rate)
            yield packet(*message(number, turn, at_ms, load.on_pack), index)

    hello = connect("load-publisher", load.username, load.password)
    return Published(*packets_published(load.port, made(), load.rate, hello))


def publish_apart(load: Load) -> multiprocessing.pool.AsyncResult[Published]:
    """The same in a process of its own."""
    pool = multiprocessing.get_context("spawn").Pool(1)
    result = pool.apply_async(publish, (load,))
    pool.close()
    return result
