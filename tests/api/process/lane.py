"""Houses side by side in one installation: one process, a real broker, and the same water in the same outage."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from collector.config.site_file import site_toml
from collector.decode.payload import Decoder
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import NamedPump, Pump, Site
from forecaster.twin.live import LARKSPUR, LiveSite
from forecaster.twin.pair import PairTruth
from tests.api.process.lapse import Lapse, Message, lapsing
from tests.engines import free_port
from tests.servers import running_mosquitto

START_MS = 1_772_500_000_000
PAST_H, FAILS_MIN, STEP_MIN = 12.0, 3.0, 1.5
"""How long the houses have told before; when the mains fails after that, and how far apart the steps are."""
PAST_S = PAST_H * 3600.0
FAIL_S = PAST_S + FAILS_MIN * 60.0
NOW_MS = START_MS + round(PAST_S * 1000.0)


@dataclass
class LaneHouse:
    """One of the houses: its topics begin with its id."""

    id: str
    live: LiveSite
    site: Site

    @classmethod
    def of(cls, site_id: str, live: LiveSite, site: Site) -> LaneHouse:
        """A house by its site file, which is given its id, name and topics here."""
        channels = tuple(replace(c, topic=f"{site_id}/{c.topic}") for c in site.channels)
        return cls(site_id, live, replace(site, id=site_id, name=f"Larkspur Lane {site_id}", channels=channels))

    def until(self, minute: float) -> list[Message]:
        """What it sends until a minute after the past."""
        ahead_s = (PAST_H * 60.0 + minute) * 60.0 - (self.live.now_ms - START_MS) / 1000.0
        return [(m.at_ms, f"{self.id}/{m.topic}", m.payload) for m in self.live.step(ahead_s)]

    def told(self) -> list[Reading]:
        """What it told in the past."""
        decoder = Decoder([self.site])
        return [r for at, topic, payload in self.until(0.0) for r in decoder.decode(topic, payload, at).readings]


@dataclass
class Lane:
    """The houses and the installation that hears them."""

    houses: Sequence[LaneHouse]
    lapse: Lapse

    def minutes(self, end_min: float) -> Iterator[float]:
        """Let the time pass in steps, up to a minute after the past; each minute that is reached."""
        for step in range(1, round(end_min / STEP_MIN) + 1):
            minute = step * STEP_MIN
            messages = sorted(one for house in self.houses for one in house.until(minute))
            self.lapse.go(NOW_MS + round(minute * 60_000), messages)
            yield minute

    def forecasts(self) -> dict[str, dict[str, Any]]:
        """The newest forecast of each."""
        return {house.id: self.lapse.client.get(f"/api/v1/sites/{house.id}/forecast").json() for house in self.houses}

    def alarms(self) -> list[dict[str, Any]]:
        """The open alarms of all."""
        found: list[dict[str, Any]] = self.lapse.client.get("/api/v1/alarms").json()["alarms"]
        return found

    def pages(self) -> dict[str, str]:
        """The page of each, in English."""
        english = {"Accept-Language": "en"}
        return {one.id: self.lapse.client.get(f"/sites/{one.id}", headers=english).text for one in self.houses}


@dataclass
class LaneWatched:
    """What was seen of the houses: their alarms at the end, when each was first seen, and their pages, by site."""

    houses: dict[str, LaneHouse] = field(default_factory=dict)
    alarms: list[dict[str, Any]] = field(default_factory=list)
    seen_min: dict[tuple[str, str], float] = field(default_factory=dict)
    pages: dict[str, str] = field(default_factory=dict)

    def minutes(self, passing: Lane, end_min: float) -> Iterator[float]:
        """Let the time pass as `Lane.minutes` does, and look at the alarms each time; at the pages at the end."""
        self.houses = {house.id: house for house in passing.houses}
        for minute in passing.minutes(end_min):
            self.alarms = passing.alarms()
            for alarm in self.alarms:
                self.seen_min.setdefault((alarm["site"], alarm["kind"]), minute)
            yield minute
        self.pages = passing.pages()


def second_pump(first_fails_s: float = math.inf, second_fails_s: float = math.inf) -> PairTruth:
    """A second pump, as it is and by its plate, and when either fails. It needs a quarter more energy than the first
    one for the same water.
    """
    true = replace(LARKSPUR.pump, running_w=390.0, rate_l_per_min=95.0, inrush_w=1100.0)
    plate = Pump(rated_voltage_v=115.0, rated_power_w=400.0, power_factor=0.8, rated_flow_l_per_min=100.0)
    return PairTruth(true, plate, first_fails_s=first_fails_s, second_fails_s=second_fails_s)


def described(site: Site) -> Site:
    """With the flow of the first pump as its plate says it, and without what is forecast of the rain."""
    pump = replace(site.pump, rated_flow_l_per_min=155.0)
    kept = tuple(c for c in site.channels if c.quantity is not Quantity.RAIN_EXPECTED)
    pumps = (NamedPump(site.pumps[0].id, pump), site.pumps[1]) if site.pumps else ()
    return replace(site, pump=pump, pumps=pumps, channels=kept)


@contextmanager
def lane(root: Path, houses: Sequence[LaneHouse]) -> Iterator[Lane]:
    """An installation over these houses, at the end of their past."""
    folder, port = root / "lane", free_port()
    (folder / "sites").mkdir(parents=True)
    for house in houses:
        (folder / "sites" / f"{house.id}.toml").write_text(site_toml(house.site), encoding="utf-8")
    past = sorted((reading for house in houses for reading in house.told()), key=lambda reading: reading.time_ms)
    with running_mosquitto(root / "mosquitto") as broker:
        settings = f'[broker]\nurl = "{broker.url}"\n[http]\nport = {port}\n'
        (folder / "outlast.toml").write_text(settings, encoding="utf-8")
        with lapsing(folder, broker, port, NOW_MS, past) as lapse:
            yield Lane(houses, lapse)
