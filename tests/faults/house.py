"""A small basement of known behaviour that can be broken on purpose: pit, pump, pack, mains, and what devices tell.

One second a step. It knows nothing of engine or alarms; the numbers are ordinary ones of the trade (no source).
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel, Load, Pack, Pit, Pump, Site, Units

START_MS = 1_772_150_400_000  # 2026-02-27T00:00:00Z
DRAWDOWN_L = 30.0
PUMP_L_PER_S = 150.0 / 60.0
RUNNING_W = 470.0
ROUTER_W = 12.0
CAPACITY_WH = 1000.0
CHARGER_W = 350.0
IDLE_W = 9.0
EFFICIENCY = 0.88
FLOOD_L = 75.0
FLOAT_L = 48.0

Q = Quantity
MEASURED = (
    Q.PUMP_POWER, Q.PUMP_ENERGY, Q.PACK_CHARGE, Q.PACK_OUTPUT_POWER, Q.PACK_TEMPERATURE, Q.MAINS_PRESENT, Q.HIGH_WATER,
)  # fmt: skip

CELLAR = Site(
    id="larkspur",
    name="Larkspur Lane cellar",
    timezone="America/Chicago",
    units=Units.US,
    pump=Pump(rated_voltage_v=115.0, rated_power_w=480.0),
    pit=Pit(area_m2=0.166, drawdown_m=0.18, freeboard_m=0.27),
    pack=Pack(capacity_wh=CAPACITY_WH, continuous_w=900.0, surge_w=1800.0, idle_w=IDLE_W, charge_w=CHARGER_W),
    loads=(Load("router", ROUTER_W),),
    channels=tuple(Channel(quantity, f"cellar/{quantity}") for quantity in MEASURED),
)

CELLAR_FILE = """[pump]
rated_voltage_v = 115
rated_power_w = 480
[pit]
area_m2 = 0.166
drawdown_m = 0.18
freeboard_m = 0.27
[pack]
capacity_wh = 1000
continuous_w = 900
"""
"""Pump, pit and pack of that cellar as a site file has them."""


def site_text(more: str, site: str = "larkspur", name: str = "Larkspur Lane cellar") -> str:
    """A site file of little: pump and pack as on their plates, and more sections."""
    return f"""id = "{site}"
name = "{name}"
timezone = "America/Chicago"
[pump]
rated_voltage_v = 115
rated_power_w = 480
[pack]
capacity_wh = 1024
continuous_w = 900
{more}"""


@dataclass
class Condition:
    """What is so at one second; a scenario changes it.

    mains, output_on, charging : the supply, the pack's output switch, whether the charger works
    dead, stuck_on : the pump does not run at all; the float never lets go
    back_l : water that runs back after each run
    switch_on_l : water at which the float lets the pump start
    running_w : power while running
    inflow_l_per_min : water into the pit
    temperature_c : of the pack
    """

    mains: bool = True
    output_on: bool = True
    charging: bool = True
    dead: bool = False
    stuck_on: bool = False
    back_l: float = 0.0
    switch_on_l: float = DRAWDOWN_L
    running_w: float = RUNNING_W
    inflow_l_per_min: float = 4.0
    temperature_c: float = 18.0


@dataclass
class Cellar:
    """The state of the house, stepped second by second; collects what its devices report."""

    seed: int = 1
    second: int = 0
    water_l: float = 0.0
    running: bool = False
    energy_wh: float = 0.0
    left_wh: float = CAPACITY_WH
    readings: list[Reading] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.rng = random.Random(self.seed)
        self.last_power_w = -1.0
        self.last_mains: bool | None = None

    @property
    def now_ms(self) -> int:
        return START_MS + 1000 * self.second

    def copy(self) -> Cellar:
        """A house that goes on from here on its own; earlier readings stay behind."""
        other = Cellar(self.seed, self.second, self.water_l, self.running, self.energy_wh, self.left_wh)
        other.rng.setstate(self.rng.getstate())
        other.last_mains = self.last_mains
        return other

    def run(self, hours: float, condition: Callable[[float], Condition]) -> None:
        """Go on for some hours; the condition is asked each second for the hours since the call."""
        begun = self.second
        for _ in range(int(hours * 3600)):
            self._step(condition((self.second - begun) / 3600.0))

    def _step(self, now: Condition) -> None:
        self.second += 1
        live = now.output_on and (now.mains or self.left_wh > 0.0)
        self.water_l = max(self.water_l + now.inflow_l_per_min / 60.0, 0.0)
        able = live and not now.dead
        if not able:
            self.running = False
        elif now.stuck_on or self.water_l >= now.switch_on_l:
            self.running = True
        if self.running:
            self.water_l = max(self.water_l - PUMP_L_PER_S, 0.0)
            if self.water_l <= 0.0 and not now.stuck_on:
                self.running = False
                self.water_l = now.back_l
        power_w = now.running_w if self.running else 0.0
        self.energy_wh += power_w / 3600.0
        output_w = power_w + ROUTER_W if live else 0.0
        if now.mains:
            if now.charging:
                self.left_wh = min(self.left_wh + CHARGER_W * 0.95 / 3600.0, CAPACITY_WH)
        elif live:
            self.left_wh = max(self.left_wh - (output_w / EFFICIENCY + IDLE_W) / 3600.0, 0.0)
        self._report(now, power_w, output_w)

    def _report(self, now: Condition, power_w: float, output_w: float) -> None:
        shown = 0.0 if power_w == 0.0 else round(power_w + self.rng.gauss(0.0, 3.0), 1)
        changed = (shown == 0.0) is not (self.last_power_w == 0.0)
        if changed or self.second % 5 == 0:
            self._say(Q.PUMP_POWER, shown)
        self.last_power_w = shown
        if now.mains is not self.last_mains or self.second % 60 == 0:
            self._say(Q.MAINS_PRESENT, float(now.mains))
        self.last_mains = now.mains
        if self.second % 10 == 0:
            self._say(Q.PACK_OUTPUT_POWER, round(output_w, 1))
        if self.second % 60 == 0:
            self._say(Q.PUMP_ENERGY, round(self.energy_wh, 1))
            self._say(Q.PACK_CHARGE, float(round(100.0 * self.left_wh / CAPACITY_WH)))
            self._say(Q.PACK_TEMPERATURE, round(now.temperature_c + self.rng.gauss(0.0, 0.1), 1))
            self._say(Q.HIGH_WATER, float(self.water_l >= FLOAT_L))

    def _say(self, quantity: Quantity, value: float) -> None:
        self.readings.append(Reading(CELLAR.id, quantity, self.now_ms, value, self.now_ms + 300))
