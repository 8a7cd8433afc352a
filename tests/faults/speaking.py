"""A process that speaks for all sites at a fixed rate: power, charge and mains, each message with a time of its own."""

from __future__ import annotations

import json
import multiprocessing
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import count
from multiprocessing.connection import Connection

from tests.bench.fleet import site_id
from tests.bench.packets import connect, packet, publish

KINDS = ("plug", "pack", "mains")

PAUSE_S, RUN_S = 60.0, 10.0
"""From one run of a pump to the next, and how long it runs [s]."""

DRAW_PERCENT_H = 12.0
"""How fast the charge falls without the mains [%/h]."""

HEARD_EVERY = 50
"""Messages between two looks at what the speaker is told."""

PATIENCE_S = 300.0


@dataclass(frozen=True)
class Speech:
    """To which broker's port, of how many sites, how many messages a second."""

    port: int
    sites: int
    rate: float


class Speaker:
    """The process, from its start until it is told to be quiet."""

    def __init__(self, speech: Speech) -> None:
        spawn = multiprocessing.get_context("spawn")
        self._orders, heard = spawn.Pipe()
        self._process = spawn.Process(target=_speak, args=(heard, speech), daemon=True)
        self._process.start()
        self._said: int | None = None

    def lose_mains(self, since_s: Mapping[int, float]) -> None:
        """The mains fail at numbered sites. since_s : Mapping[int, float] — when, by number [s since the epoch]"""
        self._orders.send(since_s)

    def quiet(self) -> int:
        """End it, if that is not yet done. Returns how many messages the broker has taken."""
        if self._said is None:
            self._orders.send(None)
            assert self._orders.poll(PATIENCE_S), "the speaker does not say how much the broker has taken"
            self._said = self._orders.recv()
            self._process.join(PATIENCE_S)
        return self._said


def _speak(orders: Connection, speech: Speech) -> None:
    said, _ = publish(speech.port, _packets(orders, speech), speech.rate, connect("speaker"))
    orders.send(said)


def _packets(orders: Connection, speech: Speech) -> Iterator[bytes]:
    """Site after site, each with all that it tells, until told to end. The times are those at which each is due."""
    begun_ms, dark_since_s = int(time.time() * 1000), dict[int, float]()
    for index in count():
        if index % HEARD_EVERY == 0:
            while orders.poll():
                told = orders.recv()
                if told is None:
                    return
                dark_since_s |= told
        number, kind = divmod(index % (len(KINDS) * speech.sites), len(KINDS))
        at_ms = begun_ms + round(index * 1000 / speech.rate)
        body = json.dumps({**_told(KINDS[kind], number, at_ms / 1000.0, dark_since_s.get(number)), "time": at_ms})
        yield packet(f"fleet/{site_id(number)}/{KINDS[kind]}", body.encode(), index)


def _told(kind: str, number: int, at_s: float, dark_since_s: float | None) -> dict[str, float | bool]:
    if kind == "mains":
        return {"mains": dark_since_s is None}
    if kind == "plug":
        return {"power": 470.0 if (at_s + 7.0 * number) % PAUSE_S < RUN_S else 0.4}
    dark_s = 0.0 if dark_since_s is None else max(0.0, at_s - dark_since_s)
    return {"charge": round(100.0 - DRAW_PERCENT_H * dark_s / 3600.0, 1)}
