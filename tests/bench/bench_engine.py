"""The engine: what an update and a forecast cost, how fast a log is replayed, and whether a site's cost stays flat."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from api.offline.replaying import Replay
from collector.decode.log import LoggedMessage
from collector.decode.payload import Decoder
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel, Pack, Pit, Pump, Site
from forecaster.engine import Engine
from tests.bench import Figure

START = 1_772_500_000_000
HOURS = 24
EVERY_S = 10
FORECASTS = 40
FEW, MANY = 10, 10_000
READINGS_A_SITE = 60
DAYS, DAYS_A_YEAR = 30, 365.0
FORECASTS_A_MINUTE_OF_TWO_CORES_MS = 12.0


def site(number: int = 0) -> Site:
    """One cellar of many."""
    name = f"cellar-{number}"
    return Site(
        id=name,
        name=name,
        timezone="America/Chicago",
        pump=Pump(rated_voltage_v=115.0, rated_power_w=480.0),
        pit=Pit(area_m2=0.166, drawdown_m=0.18, freeboard_m=0.3),
        pack=Pack(capacity_wh=1024.0, continuous_w=900.0),
        channels=(
            Channel(Quantity.PUMP_POWER, f"{name}/plug", value="$.power", unit="W", time="$.time"),
            Channel(Quantity.PACK_CHARGE, f"{name}/pack", value="$.charge", unit="%", time="$.time"),
        ),
    )


def telemetry(name: str, count: int, falling: float = 4.0) -> list[tuple[str, bytes, int]]:
    """Messages as they arrive: the plug every ten seconds, the pack every minute; topic, payload, arrival [ms].

    falling : float — of the charge [%/h]; 0 on mains
    """
    found = []
    for index in range(count):
        second = index * EVERY_S
        at_ms = START + second * 1000
        watts = 480.0 if second % 170 < 20 else 1.2
        found.append((f"{name}/plug", b'{"power": %.1f, "time": %d}' % (watts, at_ms), at_ms + 200))
        if second % 60 == 0:
            charge = max(100.0 - second / 3600.0 * falling, 5.0)
            found.append((f"{name}/pack", b'{"charge": %.0f, "time": %d}' % (charge, at_ms), at_ms + 200))
    return found


def decoded(of: Site, messages: Sequence[tuple[str, bytes, int]]) -> list[Reading]:
    """Messages as readings."""
    decoder = Decoder([of])
    return [one for topic, payload, at_ms in messages for one in decoder.decode(topic, payload, at_ms).readings]


def seconds(work: Callable[[], object]) -> float:
    """Processor time of one call [s]."""
    began = time.process_time()
    work()
    return time.process_time() - began


def run() -> list[Figure]:
    """All figures of the engine."""
    one = site()
    messages = telemetry(one.id, HOURS * 3600 // EVERY_S)
    readings = decoded(one, messages)
    engine, warm = Engine(one), Engine(one)
    now_ms = readings[-1].time_ms
    for reading in readings:  # what a process does once, at its first forecast, is no part of an update
        warm.update(reading)
    warm.forecast(now_ms)

    def update() -> None:
        for reading in readings:
            engine.update(reading)

    def replay() -> None:
        decoder, replayed = Decoder([one]), Engine(one)
        for topic, payload, at_ms in messages:
            for reading in decoder.decode(topic, payload, at_ms).readings:
                replayed.update(reading)

    def forecast() -> None:
        for index in range(FORECASTS):
            engine.update(Reading(one.id, Quantity.PUMP_POWER, now_ms + index, 1.2, now_ms + index))
            engine.forecast(now_ms + index)

    update_us = seconds(update) / len(readings) * 1e6
    engine.forecast(now_ms)
    return [
        Figure("engine: one update", update_us, "µs", "<= 20"),
        Figure("engine: one forecast", seconds(forecast) / FORECASTS * 1e3, "ms", "<= 5"),
        Figure(
            "engine: messages replayed, decoding included", len(messages) / seconds(replay), "messages/s", ">= 30000"
        ),
        Figure("engine: one snapshot", len(engine.snapshot()) / 1024.0, "kB"),
        Figure(f"engine: a year on mains replayed, tuned daily, from {DAYS} days", _year_s(), "s", "<= 180"),
        *_flat(),
    ]


def _year_s() -> float:
    """Processor time for a year of a plug every ten seconds, as `outlast replay` folds it [s]."""
    one = site()
    messages = [
        LoggedMessage(at_ms, topic, payload, False)
        for topic, payload, at_ms in telemetry(one.id, DAYS * 86_400 // EVERY_S, falling=0.0)
    ]
    took_s = seconds(lambda: [None for _ in Replay(one).forecasts(messages)])
    return took_s * DAYS_A_YEAR / DAYS


def _flat() -> list[Figure]:
    """Cost of a site among many over its cost among few; 10,000 sites forecast in a minute on two cores is 12 ms."""
    costs, forecasts_ms = [], []
    for count in (FEW, MANY):
        sites = [site(number) for number in range(count)]
        engines = [Engine(one) for one in sites]
        streams = [decoded(one, telemetry(one.id, READINGS_A_SITE)) for one in sites[:FEW]]

        def feed(engines: list[Engine] = engines, streams: list[list[Reading]] = streams) -> None:
            for step in range(READINGS_A_SITE):
                for number, engine in enumerate(engines):
                    engine.update(streams[number % FEW][step])

        def look(engines: list[Engine] = engines) -> None:
            for engine in engines[: 10 * FEW]:
                engine.forecast(START + READINGS_A_SITE * EVERY_S * 1000)

        costs.append(seconds(feed) / count)
        look()
        forecasts_ms.append(seconds(look) / min(count, 10 * FEW) * 1e3)
    return [
        Figure("engine: a site's updates among 10,000", costs[1] / costs[0], "ratio", "<= 1.5", "among 10"),
        Figure(
            "engine: a site's forecast among 10,000", forecasts_ms[1], "ms",
            f"<= {FORECASTS_A_MINUTE_OF_TWO_CORES_MS:.0f}", "10,000 in a minute on two cores",
        ),
    ]  # fmt: skip
