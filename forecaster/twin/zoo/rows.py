"""The rows of the zoo: which devices a house has, and what is wrong with them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

from forecaster.domain.alarms import Alarm, AlarmKind
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Channel, Load, Site
from forecaster.twin.sensors import Sensor
from forecaster.twin.zoo.faults import (
    ANY,
    Batched,
    Chattering,
    ClockOff,
    CounterResets,
    DeviceTrouble,
    Inverted,
    Late,
    Lost,
    Misread,
    Repeated,
    Silenced,
    Stuck,
)
from forecaster.twin.zoo.gauges import RIGHT, Gauge, GaugeShape
from forecaster.twin.zoo.wiring import Copied, SecondDevice, Worded, fridge_plug, full_pack, idle_plug, other_pack
from forecaster.twin.zoo.wordings import as_share, in_kilo, plain, with_comma, with_unit

Q = Quantity
MINUTE_S, HOUR_S = 60.0, 3600.0


class ZooGroup(StrEnum):
    """Where in an installation the fault lies; in CONTROL there is none."""

    CONTROL = "control"
    PLUG = "plug"
    COUNTER = "counter"
    GAUGE = "gauge"
    FAMILY = "family"  # gauges of a shape that the model does not contain
    SUPPLY = "supply"
    WIRING = "wiring"
    CLOCK = "clock"
    TRANSPORT = "transport"
    OWNER = "owner"


class MainsSight(StrEnum):
    """How a mains failure can be noticed, which says how soon the alarm is due."""

    FLAG = "flag"  # an honest flag: 60 s
    INFERRED = "inferred"  # from a charge of whole percents: 20 min
    COARSE = "coarse"  # from a charge in wide steps: 10 min after the first step that mains cannot explain


@dataclass(frozen=True, slots=True)
class OwnerChange:
    """The owner changes the site file during the outage.

    after_s : float — from the beginning of the outage [s]
    change : Callable — gives the changed site from the one before
    """

    after_s: float
    change: Callable[[Site], Site]


PLUG = Sensor(Q.PUMP_POWER, "plug", 10.0, step=0.1, noise=0.004)
PLUG_SLOW = Sensor(Q.PUMP_POWER, "plug", 300.0, step=0.1, noise=0.004)
PLUG_ON_CHANGE = Sensor(Q.PUMP_POWER, "plug", 60.0, on_change=True, step=0.1, noise=0.004)
CHARGE = Sensor(Q.PACK_CHARGE, "pack", 30.0, step=1.0, round_down=True)
FLAG = Sensor(Q.MAINS_PRESENT, "mains", 60.0, on_change=True)
COUNTER = Sensor(Q.PUMP_ENERGY, "plug", 10.0, step=10.0, round_down=True)


def _charge(step: float) -> Sensor:
    return replace(CHARGE, step=step)


@dataclass(frozen=True, slots=True)
class ZooRow:
    """One row of the zoo: the devices of a house, and their fault.

    says : str — the fault in a few words
    gauge : Gauge — how the pack shows its charge
    faults : tuple[DeviceTrouble, ...] — laid over the reports one after another
    sight : MainsSight — how the mains failure can be noticed
    still_known : bool — whether charge and pump energy still arrive rightly; if not, wider ranges are correct
    expected : frozenset[AlarmKind] — kinds of alarm that the fault itself justifies
    owner : Callable | None — gives the site with what the owner wrote wrongly from the right one; None: nothing
    change : OwnerChange | None — how the owner changes the site file during the outage; None: not
    hidden_load_w : float — a steady load on the pack that the site file does not list [W]
    """

    name: str
    group: ZooGroup
    says: str
    sensors: tuple[Sensor, ...] = (PLUG, CHARGE, FLAG)
    gauge: Gauge = RIGHT
    faults: tuple[DeviceTrouble, ...] = ()
    sight: MainsSight = MainsSight.FLAG
    still_known: bool = True
    expected: frozenset[AlarmKind] = frozenset()
    owner: Callable[[Site], Site] | None = None
    change: OwnerChange | None = None
    hidden_load_w: float = 0.0

    def explains(self, alarm: Alarm) -> bool:
        """Whether the fault justifies an alarm: one that is expected, or one that calls a channel or clock odd."""
        odd = self.group not in (ZooGroup.CONTROL, ZooGroup.OWNER, ZooGroup.FAMILY)
        return alarm.kind in self.expected or (odd and alarm.kind.value in SAYS_ODD)


def _capacity(times: float) -> Callable[[Site], Site]:
    return lambda site: replace(site, pack=replace(site.pack, capacity_wh=round(site.pack.capacity_wh * times)))


def _nameplate(times: float) -> Callable[[Site], Site]:
    return lambda site: replace(
        site, pump=replace(site.pump, rated_power_w=round(500.0 * times), rated_current_a=None, horsepower=None)
    )


def _load(watts: float) -> Callable[[Site], Site]:
    return lambda site: replace(site, loads=(*site.loads, Load("heater", watts)))


def _unit(unit: str) -> Callable[[Channel], Channel]:
    return lambda channel: replace(channel, unit=unit)


SAYS_ODD = frozenset({"channel-failing", "clock-suspect"})
"""Kinds of alarm that say that a device or a clock is not as it should be."""

G, S = ZooGroup, MainsSight
NO_FLAG = (PLUG, CHARGE)
HARD_OF_HEARING = frozenset({AlarmKind.TELEMETRY_SILENT})

CONTROL_ROWS = (
    ZooRow("control", G.CONTROL, "all is well"),
    ZooRow("control-no-flag", G.CONTROL, "all is well, without a mains flag", NO_FLAG, sight=S.INFERRED),
    ZooRow("control-on-change", G.CONTROL, "all is well, power on change", (PLUG_ON_CHANGE, CHARGE, FLAG)),
)

PLUG_ROWS = (
    ZooRow(
        "plug-dies", G.PLUG, "the plug dies a minute into the outage", faults=(Silenced("plug", MINUTE_S),),
        still_known=False, expected=HARD_OF_HEARING,
    ),
    ZooRow(
        "plug-dies-no-flag", G.PLUG, "the same without a flag", NO_FLAG, faults=(Silenced("plug", MINUTE_S),),
        sight=S.INFERRED, still_known=False, expected=HARD_OF_HEARING,
    ),
    ZooRow(
        "plug-buffers", G.PLUG, "the plug buffers three hours and uploads them",
        faults=(Silenced("plug", MINUTE_S, 3.0 * HOUR_S, buffered=True),), still_known=False, expected=HARD_OF_HEARING,
    ),
    ZooRow("plug-batches", G.PLUG, "the plug uploads every half hour", faults=(Batched("plug", 1800.0),)),
    ZooRow(
        "plug-away-2h", G.PLUG, "the plug is away for two hours, nothing buffered",
        faults=(Silenced("plug", HOUR_S, 2.0 * HOUR_S),), still_known=False, expected=HARD_OF_HEARING,
    ),
    ZooRow(
        "plug-stuck-off", G.PLUG, "the plug tells 0 W from the outage on", faults=(Stuck(Q.PUMP_POWER, 0.0, 0.0),),
        still_known=False, expected=frozenset({AlarmKind.PUMP_SILENT, AlarmKind.PACK_OUTPUT_OFF}),
    ),
    ZooRow("plug-5-min", G.PLUG, "power every five minutes", (PLUG_SLOW, CHARGE, FLAG)),
    ZooRow("plug-5-min-no-flag", G.PLUG, "the same without a flag", (PLUG_SLOW, CHARGE), sight=S.INFERRED),
    ZooRow("plug-reads-30-less", G.PLUG, "power read 30 % too low", faults=(Misread(Q.PUMP_POWER, 0.7),)),
    ZooRow(
        "plug-reads-30-more-later", G.PLUG, "power 30 % too high, and no flag", NO_FLAG,
        faults=(Misread(Q.PUMP_POWER, 1.3),), sight=S.INFERRED,
    ),
)  # fmt: skip

COUNTER_ROWS = (
    ZooRow("counter-10wh", G.COUNTER, "a 10 Wh counter alone, read every 10 s", (COUNTER, CHARGE, FLAG)),
    ZooRow("counter-10wh-slow-power", G.COUNTER, "a 10 Wh counter and power every 5 min",
           (COUNTER, PLUG_SLOW, CHARGE, FLAG)),
    ZooRow("counter-10wh-power", G.COUNTER, "a 10 Wh counter beside perfect power", (COUNTER, PLUG, CHARGE, FLAG)),
    ZooRow("counter-100wh", G.COUNTER, "a 100 Wh counter beside power",
           (replace(COUNTER, step=100.0), PLUG, CHARGE, FLAG)),
    ZooRow("counter-resets", G.COUNTER, "a counter that starts anew every four hours",
           (replace(COUNTER, step=0.1), CHARGE, FLAG), faults=(CounterResets(Q.PUMP_ENERGY, 4.0 * HOUR_S),)),
)  # fmt: skip

GAUGE_ROWS = (
    ZooRow("gauge-sags", G.GAUGE, "the charge sags 2.5 % in each run, no flag", NO_FLAG,
           Gauge(sag_percent=2.5), sight=S.INFERRED),
    ZooRow("gauge-sags-flag", G.GAUGE, "the same with a flag", gauge=Gauge(sag_percent=2.5)),
    ZooRow("gauge-sags-slowly", G.GAUGE, "sags 4 % and takes five minutes to come back, no flag", NO_FLAG,
           Gauge(sag_percent=4.0, relax_s=300.0), sight=S.INFERRED),
    ZooRow("gauge-shows-too-much", G.GAUGE, "shows 53 % at a true 20 %", gauge=Gauge(depth=0.5875)),
    ZooRow("gauge-shows-too-little", G.GAUGE, "falls a third too fast", gauge=Gauge(depth=1.33)),
    ZooRow("gauge-5-steps", G.GAUGE, "5 % steps, no flag", (PLUG, _charge(5.0)), sight=S.COARSE),
    ZooRow("gauge-10-steps", G.GAUGE, "10 % steps, no flag", (PLUG, _charge(10.0)), sight=S.COARSE),
    ZooRow("gauge-10-steps-flag", G.GAUGE, "10 % steps, with a flag", (PLUG, _charge(10.0), FLAG)),
    ZooRow("gauge-25-steps-flag", G.GAUGE, "four bars, with a flag", (PLUG, _charge(25.0), FLAG)),
    ZooRow("gauge-noisy", G.GAUGE, "wanders by 1 % from report to report, no flag", NO_FLAG,
           Gauge(noise_percent=1.0), sight=S.INFERRED),
    ZooRow("gauge-glitch", G.GAUGE, "reads 0, then 100 for 90 s, no flag", NO_FLAG, faults=(
        Stuck(Q.PACK_CHARGE, 1.5 * HOUR_S, 0.0, 45.0), Stuck(Q.PACK_CHARGE, 1.5 * HOUR_S + 45.0, 100.0, 90.0),
    ), sight=S.INFERRED),
    ZooRow("gauge-stuck", G.GAUGE, "stands still from an hour into the outage",
           faults=(Stuck(Q.PACK_CHARGE, HOUR_S),), still_known=False),
    ZooRow("gauge-recalibrates", G.GAUGE, "jumps up by 8 % two hours into the outage",
           faults=(Misread(Q.PACK_CHARGE, by=8.0, after_s=2.0 * HOUR_S, high=100.0),)),
    ZooRow("gauge-silent", G.GAUGE, "the pack's charge is not heard from the outage on",
           faults=(Silenced("pack", 0.0),), still_known=False, expected=HARD_OF_HEARING),
)  # fmt: skip

FAMILY_ROWS = (
    ZooRow("family-kinked", G.FAMILY, "straight pieces with kinks of 2.2 %",
           gauge=Gauge(GaugeShape.KINKED, 2.2, defines_floor=True)),
    ZooRow("family-plateaus", G.FAMILY, "six plateaus on the way down",
           gauge=Gauge(GaugeShape.PLATEAUS, 2.6, defines_floor=True)),
    ZooRow("family-harmonic", G.FAMILY, "a smooth third harmonic of 1.5 %",
           gauge=Gauge(GaugeShape.HARMONIC, 1.5, defines_floor=True)),
    ZooRow("family-drift", G.FAMILY, "an offset that drifts by 0.4 % an hour",
           gauge=Gauge(drift_percent_per_h=0.4, defines_floor=True)),
)  # fmt: skip

SUPPLY_ROWS = (
    ZooRow("flag-inverted", G.SUPPLY, "the flag is wired the wrong way round",
           faults=(Inverted(Q.MAINS_PRESENT),), sight=S.INFERRED),
    ZooRow("flag-stuck-on", G.SUPPLY, "the flag always says mains",
           faults=(Stuck(Q.MAINS_PRESENT, 0.0, 1.0),), sight=S.INFERRED),
    ZooRow("flag-chatters", G.SUPPLY, "the flag tells the other state in a tenth of its reports",
           faults=(Chattering(Q.MAINS_PRESENT, 0.1, 15.0),)),
    ZooRow("flag-dies-with-mains", G.SUPPLY, "what tells of the mains hangs on the mains and falls silent with it",
           faults=(Silenced("mains", -1.0),), sight=S.INFERRED, expected=HARD_OF_HEARING),
    ZooRow("flag-late", G.SUPPLY, "the flag tells ten minutes late",
           faults=(Stuck(Q.MAINS_PRESENT, -1.0, 1.0, 600.0),), sight=S.INFERRED),
)  # fmt: skip

MISWIRED = frozenset({AlarmKind.TELEMETRY_SILENT, AlarmKind.PUMP_SILENT, AlarmKind.PACK_OUTPUT_OFF})
WIRING_ROWS = (
    ZooRow("two-packs-full", G.WIRING, "a second, full pack on the charge's wildcard",
           faults=(SecondDevice(Q.PACK_CHARGE, full_pack),), still_known=False, expected=MISWIRED),
    ZooRow("two-packs", G.WIRING, "a second pack that discharges more slowly",
           faults=(SecondDevice(Q.PACK_CHARGE, other_pack),), still_known=False, expected=MISWIRED),
    ZooRow("two-plugs-fridge", G.WIRING, "a fridge's plug on the power's wildcard",
           faults=(SecondDevice(Q.PUMP_POWER, fridge_plug),), still_known=False, expected=MISWIRED),
    ZooRow("two-plugs-idle", G.WIRING, "an idle plug on the power's wildcard",
           faults=(SecondDevice(Q.PUMP_POWER, idle_plug),), still_known=False, expected=MISWIRED),
    ZooRow("text-with-unit", G.WIRING, '"500 W" while it runs, "0" when off',
           faults=(Worded(Q.PUMP_POWER, with_unit),), still_known=False, expected=MISWIRED),
    ZooRow("text-with-comma", G.WIRING, '"500,2" while it runs, "0" when off',
           faults=(Worded(Q.PUMP_POWER, with_comma),), still_known=False, expected=MISWIRED),
    ZooRow("charge-as-share", G.WIRING, "a charge of 0..1 declared as %",
           faults=(Worded(Q.PACK_CHARGE, as_share),), still_known=False, expected=MISWIRED),
    ZooRow("power-in-kw", G.WIRING, "kW declared as W", faults=(Worded(Q.PUMP_POWER, in_kilo),),
           still_known=False, expected=MISWIRED),
    ZooRow("two-filters", G.WIRING, "two filters take the power's topic: each message comes twice, without an own time",
           faults=(Worded(Q.PUMP_POWER, plain), Copied(Q.PUMP_POWER))),
    ZooRow("no-own-time", G.WIRING, "bare numbers without an own time", faults=(Worded(Q.PUMP_POWER, plain),)),
)  # fmt: skip

ODD_CLOCKS = frozenset({AlarmKind.CLOCK_SUSPECT, AlarmKind.TELEMETRY_SILENT})
CLOCK_ROWS = (
    ZooRow("clocks-5h-behind", G.CLOCK, "all clocks five hours behind (local time marked Z)",
           faults=(ClockOff(ANY, -5.0 * HOUR_S),), expected=ODD_CLOCKS),
    ZooRow("plug-5h-behind", G.CLOCK, "the plug's clock five hours behind",
           faults=(ClockOff("plug", -5.0 * HOUR_S),), expected=ODD_CLOCKS),
    ZooRow("plug-23h-ahead", G.CLOCK, "the plug's clock 23 h ahead", faults=(ClockOff("plug", 23.0 * HOUR_S),),
           expected=ODD_CLOCKS),
    ZooRow("charge-23h-ahead-awhile", G.CLOCK, "the pack's clock 23 h ahead for ten minutes of the outage",
           faults=(ClockOff("pack", 23.0 * HOUR_S, HOUR_S, 600.0),), expected=ODD_CLOCKS),
)  # fmt: skip

TRANSPORT_ROWS = (
    ZooRow("line-repeats", G.TRANSPORT, "every fifth message twice", faults=(Repeated(ANY, 0.2),)),
    ZooRow("line-loses", G.TRANSPORT, "three messages in ten are lost", faults=(Lost(ANY, 0.3),)),
    ZooRow("line-late", G.TRANSPORT, "messages late by two minutes in the mean, out of order",
           faults=(Late(ANY, 120.0),), sight=S.INFERRED),
    ZooRow("line-away-1h", G.TRANSPORT, "nothing is heard for an hour", faults=(Silenced(ANY, HOUR_S, HOUR_S),),
           expected=HARD_OF_HEARING),
    ZooRow("line-away-1h-buffered", G.TRANSPORT, "nothing for an hour, then all of it",
           faults=(Silenced(ANY, HOUR_S, HOUR_S, buffered=True),), expected=HARD_OF_HEARING),
)  # fmt: skip

OWNER_ROWS = (
    ZooRow("owner-doubles-capacity", G.OWNER, "the site file says twice the capacity", owner=_capacity(2.0)),
    ZooRow("owner-halves-capacity", G.OWNER, "the site file says half the capacity", owner=_capacity(0.5)),
    ZooRow("owner-corrects-capacity", G.OWNER, "twice the capacity, corrected an hour into the outage",
           owner=_capacity(2.0), change=OwnerChange(HOUR_S, _capacity(0.5))),
    ZooRow("owner-wrong-pump", G.OWNER, "another pump's nameplate, of 1,500 W", owner=_nameplate(3.0)),
    ZooRow("owner-listed-nothing", G.OWNER, "a load of 20 W that nobody listed", hidden_load_w=20.0),
    ZooRow("owner-lists-too-much", G.OWNER, "a heater of 60 W listed that is not there", owner=_load(60.0)),
)  # fmt: skip

ROWS: tuple[ZooRow, ...] = (
    *CONTROL_ROWS, *PLUG_ROWS, *COUNTER_ROWS, *GAUGE_ROWS, *FAMILY_ROWS, *SUPPLY_ROWS, *WIRING_ROWS, *CLOCK_ROWS,
    *TRANSPORT_ROWS, *OWNER_ROWS,
)  # fmt: skip
