"""An evening on Larkspur Lane: what goes wrong in eight houses, told over one broker to one installation.

The numbers of the houses are ordinary ones of the trade (no source). Minutes count from 22:10 in Chicago.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from tests.api.process.lapse import Message
from tests.faults.house import CELLAR_FILE, START_MS, Cellar, Condition

Q = Quantity
MINUTE_MS, HOUR_MS = 60_000, 3_600_000
LEARNT_H = 4.0 + 1.0 / 6.0
BEGIN_MS = START_MS + round(LEARNT_H * HOUR_MS)
"""2026-02-26, 22:10 in Chicago."""
TOLD = (Q.PUMP_POWER, Q.PACK_CHARGE, Q.PACK_OUTPUT_POWER, Q.MAINS_PRESENT)
CALM, STORM, WET, SURGE = 4.0, 12.0, 30.0, 50.0
"""Water that comes in [L/min]."""
FIRST, BACK, SECOND, END = 2, 26, 40, 68.5
"""The house of two failures: the first, its end, the second; and the evening's end."""
LOST, DIES = 2, 10
"""In the storm: when the mains of one house fails, and when the pumps die."""

Weather = Callable[[float], Condition]
"""What is so, by minutes."""


def calm(_minute: float) -> Condition:
    return Condition(inflow_l_per_min=CALM)


def two_failures(minute: float) -> Condition:
    return Condition(mains=not (FIRST <= minute < BACK or minute >= SECOND), inflow_l_per_min=WET)


def dead_in_a_storm(minute: float, *, on_pack: bool) -> Condition:
    return Condition(mains=not on_pack or minute < LOST, inflow_l_per_min=STORM, dead=minute >= DIES)


def near_the_floor(minute: float) -> Condition:
    """On a pack that was never full, and its last percents go."""
    return Condition(mains=minute < LOST, charging=False, inflow_l_per_min=SURGE)


def payload_of(reading: Reading) -> bytes:
    return json.dumps({"v": reading.value, "t": reading.time_ms}).encode()


def a_tenth_refused(reading: Reading) -> bytes:
    """A device that says "n/a" in place of each tenth of its powers."""
    spoilt = reading.quantity is Q.PUMP_POWER and reading.time_ms // 5000 % 10 == 0
    return json.dumps({"v": "n/a" if spoilt else reading.value, "t": reading.time_ms}).encode()


@dataclass
class Home:
    """One house: its site file, and what it tells.

    told : the quantities that its devices tell
    listens : topics that its site file names otherwise, by quantity
    said : how a device says a reading
    """

    id: str
    weather: Weather
    contacts: str
    told: Sequence[Quantity] = TOLD
    listens: Mapping[Quantity, str] = field(default_factory=dict)
    said: Callable[[Reading], bytes] = payload_of
    cellar: Cellar = field(default_factory=Cellar)

    @property
    def site(self) -> str:
        """Its site file."""
        head = f'id = "{self.id}"\nname = "Larkspur Lane {self.id}"\ntimezone = "America/Chicago"\n'
        channels = (
            f'[[channels]]\nquantity = "{one.value}"\ntopic = "{self.listens.get(one, self.topic(one))}"\n'
            'value = "$.v"\ntime = "$.t"\n'
            for one in self.told
        )
        return head + CELLAR_FILE + "".join(channels) + self.contacts

    def topic(self, quantity: Quantity) -> str:
        return f"{self.id}/{quantity.value}"

    def past(self) -> list[Reading]:
        """What it told before the evening."""
        self.cellar.run(LEARNT_H, lambda _: self.weather(-1.0))
        return [one for one in self.happened() if one.quantity not in self.listens]

    def until(self, minute: float) -> list[Message]:
        """What it tells up to a minute."""
        begun = (self.cellar.now_ms - BEGIN_MS) / MINUTE_MS
        self.cellar.run((minute - begun) / 60.0, lambda hours: self.weather(begun + 60.0 * hours))
        return [(one.time_ms, self.topic(one.quantity), self.said(one)) for one in self.happened()]

    def happened(self) -> list[Reading]:
        """What its devices have measured since they were last asked."""
        found = [replace(one, site=self.id) for one in self.cellar.readings if one.quantity in self.told]
        self.cellar.readings.clear()
        return found


@dataclass
class Stuck(Home):
    """A house whose pack has told of 40 % for as long as it has been heard: half a day and more."""

    def past(self) -> list[Reading]:
        first_ms = BEGIN_MS - 13 * HOUR_MS
        heard = [Reading(self.id, Q.PACK_CHARGE, at, 40.0, at) for at in range(first_ms, START_MS, MINUTE_MS)]
        return heard + super().past()

    def happened(self) -> list[Reading]:
        return [replace(one, value=40.0) if one.quantity is Q.PACK_CHARGE else one for one in super().happened()]


@dataclass
class Clogged(Home):
    """A house with a plug alone, whose discharge line clogs by 40 % an hour before the evening; a run in eight minutes.

    The runs grow from 12 to 21 s, and take 12 % fewer watts: 1 - 12/21 is 43 % less water (computed).
    """

    done_ms: int = BEGIN_MS
    every_ms = 8 * MINUTE_MS
    clogs_ms = BEGIN_MS - 7 * 8 * MINUTE_MS

    def past(self) -> list[Reading]:
        return [one for at in range(BEGIN_MS - 67 * self.every_ms, BEGIN_MS, self.every_ms) for one in self.run_at(at)]

    def until(self, minute: float) -> list[Message]:
        from_ms, self.done_ms = self.done_ms, BEGIN_MS + round(minute * MINUTE_MS)
        told = [one for at in range(BEGIN_MS, self.done_ms, self.every_ms) for one in self.run_at(at)]
        return [
            (one.time_ms, self.topic(one.quantity), payload_of(one))
            for one in told
            if from_ms < one.time_ms <= self.done_ms
        ]

    def run_at(self, start_ms: int) -> list[Reading]:
        """What the plug tells from a run's start until the next one."""
        run_s, watts = (12, 470.0) if start_ms < self.clogs_ms else (21, 414.0)
        rests = range(start_ms + MINUTE_MS, start_ms + self.every_ms, MINUTE_MS)
        told = [(start_ms + 1000, watts), (start_ms + 1000 * (run_s + 1), 0.0), *((at, 0.0) for at in rests)]
        return [Reading(self.id, Q.PUMP_POWER, at, value, at) for at, value in told]


def mail_to(who: str, more: str = "") -> str:
    return f'[[contacts]]\nname = "{who}"\nemail = "{who.split()[0].lower()}@example.org"\n{more}'


def houses(hook: str) -> list[Home]:
    """All of them; the last is a house in which nothing happens.

    hook : address of a receiver; what is for the alerting protocol goes to its /cap
    """
    owner, quiet = mail_to("Robin Ownerly"), 'quiet_hours = "22:00-07:00"\n'
    far = (
        mail_to("Robin Ownerly", f'webhook = "{hook}/json"\n{quiet}')
        + f'[[contacts]]\nname = "office"\nwebhook = "{hook}/cap"\nwebhook_format = "cap"\n'
        + mail_to("Sam Nextdoor", 'phone = "+1 555 0142"\nafter_min = 600\n')
    )
    low = Cellar(left_wh=160.0)
    return [
        Home("night", two_failures, far),
        Home("storm", partial(dead_in_a_storm, on_pack=False), owner),
        Home("dark", partial(dead_in_a_storm, on_pack=True), owner),
        Home("floor", near_the_floor, owner, cellar=low),
        Stuck("stuck", calm, owner),
        Clogged("clogged", calm, owner, told=(Q.PUMP_POWER,)),
        Home("unheard", calm, owner, listens={Q.PACK_OUTPUT_POWER: "unheard/Pack_Output_Power"}),
        Home("refusing", calm, owner, said=a_tenth_refused),
        Home("calm", calm, owner),
    ]
