"""The kept installation: three houses in the middle of something, their site files, settings and messages."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from tests.faults.house import CELLAR_FILE, START_MS, Cellar, Condition

LOST, WET, TESTED = "larkspur", "boathouse", "mill"
"""On the pack for an hour; high water on mains; a discharge test, the plug pulled."""

SITES = (LOST, WET, TESTED)
HISTORY_H = 30.0
"""Hours told as a backlog before the present: an outage of three hours in them teaches the pack."""

EARLIER_H = (8.0, 11.0)
LOST_H = 1.0
POWER_EVERY_S = 30
Q = Quantity
MEASURED = (Q.PUMP_POWER, Q.PUMP_ENERGY, Q.PACK_CHARGE, Q.PACK_OUTPUT_POWER, Q.MAINS_PRESENT, Q.HIGH_WATER)

SITE = f"""id = "{{id}}"
name = "{{name}}"
timezone = "America/Chicago"
{CELLAR_FILE}surge_w = 1800
charge_w = 350
reserve_percent = 10
[[loads]]
name = "router"
watts = 12
[alarms]
low_reserve_h = 40
critical_reserve_h = 2
[[contacts]]
name = "owner"
email = "owner@example.org"
minimum_priority = "low"
"""
CHANNEL = """[[channels]]
quantity = "{quantity}"
topic = "{site}/{quantity}"
value = "$.value"
time = "$.time"
unit = "{unit}"
"""
UNITS = {
    Q.PUMP_POWER: "W",
    Q.PUMP_ENERGY: "Wh",
    Q.PACK_CHARGE: "%",
    Q.PACK_OUTPUT_POWER: "W",
    Q.MAINS_PRESENT: "",
    Q.HIGH_WATER: "",
}
NAMES = {LOST: "Larkspur Lane cellar", WET: "Larkspur boathouse", TESTED: "Larkspur mill"}


def write_settings(
    folder: Path,
    broker_url: str,
    mail_port: int,
    http_port: int,
    stores: tuple[str, str] | None = None,
    more: str = "",
) -> None:
    """outlast.toml of the installation.

    stores : URLs of readings and ledger; None: SQLite files in the folder
    more : further lines
    """
    store = "" if stores is None else f'[store]\nurl = "{stores[0]}"\nledger = "{stores[1]}"\n'
    (folder / "outlast.toml").write_text(
        f'[broker]\nurl = "{broker_url}"\nclient_id = "kept"\n[http]\nport = {http_port}\n{store}'
        f'[mail]\nhost = "127.0.0.1"\nport = {mail_port}\nsecurity = "none"\nsender = "pump@example.org"\n'
        f"{more}"
    )


def write_sites(folder: Path) -> None:
    """The three site files."""
    (folder / "sites").mkdir(parents=True, exist_ok=True)
    for site in SITES:
        channels = "".join(
            CHANNEL.format(quantity=quantity, site=site, unit=UNITS[quantity]).replace('unit = ""\n', "")
            for quantity in MEASURED
        )
        (folder / "sites" / f"{site}.toml").write_text(SITE.format(id=site, name=NAMES[site]) + channels)


@dataclass
class House:
    """One house that lives on second by second; its messages carry their own times.

    shift_ms : int — from the house's own seconds to the time told [ms]
    """

    site: str
    shift_ms: int = 0
    cellar: Cellar = field(default_factory=Cellar)
    mains: bool = True
    wet: bool = False

    def past(self, now_ms: int) -> Iterator[tuple[str, bytes]]:
        """What is told of the hours before a moment; larkspur has lost its mains since."""
        self.cellar.seed = 1 + SITES.index(self.site)
        self.shift_ms = now_ms - round(HISTORY_H * 3_600_000) - START_MS

        def condition(hour: float) -> Condition:
            earlier = EARLIER_H[0] <= hour < EARLIER_H[1]
            lost = self.site == LOST and hour >= HISTORY_H - LOST_H
            return Condition(mains=not (earlier or lost), inflow_l_per_min=4.0)

        self.cellar.run(HISTORY_H, condition)
        self.mains = self.site != LOST
        return self._told(lambda reading: reading.time_ms // 1000 % POWER_EVERY_S == 0)

    def on(self, seconds: float) -> Iterator[tuple[str, bytes]]:
        """What is told as it lives on."""
        self.cellar.run(seconds / 3600.0, lambda _: Condition(mains=self.mains, inflow_l_per_min=4.0))
        return self._told(lambda _: True)

    @property
    def now_ms(self) -> int:
        """The time told now."""
        return self.cellar.now_ms + self.shift_ms

    def _told(self, sampled: Callable[[Reading], bool]) -> Iterator[tuple[str, bytes]]:
        readings, last_on = self.cellar.readings, False
        self.cellar.readings = []
        for reading in readings:
            if reading.quantity not in MEASURED:
                continue
            value = reading.value
            if reading.quantity is Q.PUMP_POWER:
                changed, last_on = (value > 0.0) is not last_on, value > 0.0
                if not changed and not sampled(reading):
                    continue
            elif reading.quantity is Q.PACK_OUTPUT_POWER and reading.time_ms // 1000 % 60:
                continue
            body: dict[str, float | int] = {"value": value, "time": reading.time_ms + self.shift_ms}
            if reading.quantity in (Q.MAINS_PRESENT, Q.HIGH_WATER):
                body["value"] = int(self.wet) if reading.quantity is Q.HIGH_WATER else int(value)
            yield f"{self.site}/{reading.quantity}", json.dumps(body).encode()


def in_turn(houses: Sequence[House], seconds: float) -> list[tuple[str, bytes]]:
    """What all houses tell over the next seconds."""
    return [message for house in houses for message in house.on(seconds)]
