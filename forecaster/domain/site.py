"""A site as its owner describes it: pump, pit, pack, loads, channels, limits and people."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from hashlib import blake2b

from forecaster.domain.alarms import AlarmKind, Priority
from forecaster.domain.quantities import PUMP_QUANTITIES, Quantity


class Units(StrEnum):
    """How screens show a site; files and JSON never change."""

    METRIC = "metric"
    US = "us"


class Motor(StrEnum):
    """Kind of a pump's motor, where it changes what may feed it."""

    CAPACITOR = "capacitor"  # an induction motor with a start or run capacitor
    INDUCTION = "induction"  # any other induction motor: split phase, shaded pole
    UNIVERSAL = "universal"  # with brushes


class Wave(StrEnum):
    """Wave form of an inverter's output."""

    SINE = "sine"
    MODIFIED_SINE = "modified_sine"  # steps in place of a sine


@dataclass(frozen=True, slots=True)
class Pump:
    """The nameplate. Every field is optional but a voltage and one of current, power or horsepower.

    rated_voltage_v : float | None — [V]
    rated_current_a : tuple[float, float] | None — [A], least and greatest over the head range; equal for one value
    rated_power_w : float | None — electrical input [W]
    power_factor : float | None — 0..1
    horsepower : float | None — shaft output [hp]
    locked_rotor_code : str | None — NEMA code letter
    locked_rotor_current_a : float | None — [A]
    static_head_m, maximum_head_m : float | None — lift, and lift at which flow ceases [m]
    rated_flow_l_per_min : float | None — flow at the static head [L/min]
    rated_frequency_hz : float | None — [Hz]; motor : Motor | None. No belief rests on these two: they are left out of
        the text that tells a changed pump
    """

    rated_voltage_v: float | None = None
    rated_current_a: tuple[float, float] | None = None
    rated_power_w: float | None = None
    power_factor: float | None = None
    horsepower: float | None = None
    locked_rotor_code: str | None = None
    locked_rotor_current_a: float | None = None
    static_head_m: float | None = None
    maximum_head_m: float | None = None
    rated_flow_l_per_min: float | None = None
    rated_frequency_hz: float | None = field(default=None, repr=False)
    motor: Motor | None = field(default=None, repr=False)


class Driven(StrEnum):
    """What drives a pump."""

    PACK = "pack"  # the mains, and without it the pack
    WATER_PRESSURE = "water_pressure"  # the municipal water line: it needs no electricity


@dataclass(frozen=True, slots=True)
class NamedPump:
    """One of two pumps in one pit: the name that its channels give in `of`, and its nameplate.

    starts_above_m : float — how much higher the water stands when it starts than when the first one does [m]
    supply_l_per_l : float | None — municipal water that it uses for each litre lifted, where that drives it [L/L]
    """

    id: str
    pump: Pump
    driven_by: Driven = Driven.PACK
    starts_above_m: float = 0.0
    supply_l_per_l: float | None = None


@dataclass(frozen=True, slots=True)
class Pit:
    """The pit. area_m2 is given, or follows from the diameter [m²]; drawdown and freeboard in m."""

    area_m2: float | None = None
    drawdown_m: float | None = None
    freeboard_m: float | None = None

    @property
    def drawdown_l(self) -> float | None:
        """Drawdown volume [L]: area times drawdown."""
        if self.area_m2 is None or self.drawdown_m is None:
            return None
        return self.area_m2 * self.drawdown_m * 1000.0


class Chemistry(StrEnum):
    """Battery chemistry, where it changes the arithmetic: two families, and their kinds where the label tells more."""

    LITHIUM = "lithium"
    LEAD_ACID = "lead_acid"
    LITHIUM_IRON_PHOSPHATE = "lithium_iron_phosphate"
    LITHIUM_NICKEL = "lithium_nickel"
    AGM = "agm"
    FLOODED = "flooded"

    @property
    def is_lithium(self) -> bool:
        """Whether it is of the lithium family."""
        return self not in {Chemistry.LEAD_ACID, Chemistry.AGM, Chemistry.FLOODED}


@dataclass(frozen=True, slots=True)
class Pack:
    """Battery and inverter in one.

    capacity_wh : float — nameplate capacity [Wh]
    continuous_w, surge_w : float | None — inverter ratings [W]
    continuous_va : float | None — where a VA rating is given [VA]
    surge_s : float | None — how long the surge rating holds [s]
    output_voltage_v : float | None — [V]
    inverter_efficiency : float | None — 0..1, a starting belief, then learnt
    idle_w : float | None — the inverter's own draw from the battery [W], a starting belief, then learnt
    reserve_percent : float — the charge that the owner wants left [%]
    extra_capacity_wh : float — expansion batteries [Wh]
    charge_w : float | None — charging power from mains [W]
    chemistry : Chemistry
    price : float | None — for comparing packs, any currency
    output_frequency_hz : float | None — [Hz]; output_wave : Wave | None
    """

    capacity_wh: float
    continuous_w: float | None = None
    surge_w: float | None = None
    continuous_va: float | None = None
    surge_s: float | None = None
    output_voltage_v: float | None = None
    inverter_efficiency: float | None = None
    idle_w: float | None = None
    reserve_percent: float = 10.0
    extra_capacity_wh: float = 0.0
    charge_w: float | None = None
    chemistry: Chemistry = Chemistry.LITHIUM
    price: float | None = None
    output_frequency_hz: float | None = None
    output_wave: Wave | None = None

    @property
    def nominal_wh(self) -> float:
        """Nameplate capacity with expansion batteries [Wh]."""
        return self.capacity_wh + self.extra_capacity_wh


class Arrangement(StrEnum):
    """How several packs carry what hangs on them."""

    PARALLEL = "parallel"  # all at once
    IN_TURN = "in_turn"  # one after another, in the order in which they are listed
    ONE_A_PUMP = "one_a_pump"  # each feeds one of two pumps, and nothing stands in for it


@dataclass(frozen=True, slots=True)
class NamedPack:
    """One of several packs: its name, its plate, and its pump and loads where each pump has a pack of its own."""

    id: str
    pack: Pack
    pump: str | None = None
    loads: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Load:
    """Anything else on the pack: steady, or cycling when runs_per_hour and run_s are given.

    watts : float — while on, at the outlet [W]
    start_va : float | None — what it takes to start [VA]
    essential : bool — stays on: nobody is ever asked to switch it off
    """

    name: str
    watts: float
    runs_per_hour: float | None = None
    run_s: float | None = None
    start_va: float | None = None
    essential: bool = False

    @property
    def mean_w(self) -> float:
        """Mean power at the outlet [W]."""
        if self.runs_per_hour is None or self.run_s is None:
            return self.watts
        return self.watts * min(1.0, self.runs_per_hour * self.run_s / 3600.0)


class PayloadFormat(StrEnum):
    """How a channel's payload is read."""

    AUTO = "auto"
    SENML = "senml"


@dataclass(frozen=True, slots=True)
class Channel:
    """Where one measured quantity comes from.

    topic : str — MQTT filter
    value : str | None — JSONPath (RFC 9535); None: the payload itself
    unit : str — unit of the payload's value
    time : str | None — JSONPath of the source time
    format : PayloadFormat
    true_words, false_words : tuple of str | int | float | bool — for yes/no quantities
    max_silence_s : float | None
    of : str — the load that a load_power channel measures, or the pack where there are several
    pattern : str | None — regular expression whose one group is the value within a text
    column : int | None — which column of a row of text, the first is 1; separator parts them (None: as decimal has it)
    decimal : str — "." or ","
    naive_time : str | None — "site": a source time without an offset is the site's own local time
    """

    quantity: Quantity
    topic: str
    value: str | None = None
    unit: str | None = None
    time: str | None = None
    format: PayloadFormat = PayloadFormat.AUTO
    true_words: tuple[str | int | float | bool, ...] | None = None
    false_words: tuple[str | int | float | bool, ...] | None = None
    max_silence_s: float | None = None
    of: str = ""
    pattern: str | None = None
    column: int | None = None
    separator: str | None = None
    decimal: str = "."
    naive_time: str | None = None


@dataclass(frozen=True, slots=True)
class AlarmLimits:
    """The owner's limits; None leaves the default of the rationalisation table in force.

    others : dict[AlarmKind, float] — a limit for any other kind, in that kind's unit
    off : frozenset[AlarmKind] — kinds that the owner switched off
    """

    low_reserve_h: float | None = None
    critical_reserve_h: float | None = None
    others: dict[AlarmKind, float] = field(default_factory=dict)
    off: frozenset[AlarmKind] = frozenset()


class WeeklyLetter(StrEnum):
    """Whom a weekly letter is written for."""

    HOMEOWNER = "homeowner"  # that all is well, so that silence is noticed
    MANAGER = "manager"  # which of several houses needs them, what is due, what nobody was told


@dataclass(frozen=True, slots=True)
class Contact:
    """A person to reach.

    quiet_hours : tuple[str, str] | None — local "HH:MM" to "HH:MM"; critical passes, and what cannot wait that long
    phone : str | None — named in messages to the other contacts; nothing is dialled
    after_min : float — told only after an alarm has stood this long unacknowledged [min]; 0: at once
    language : str | None — ISO 639-1 code that messages are written in; None: the site's
    hours_to_reach : float | None — how soon they can be at the house [h]
    weekly_letter : WeeklyLetter | None — which letter they get by mail once a week; None: none
    webhook_transitions : str — "told": what people are told; "all": every transition, at once, for a program
    webhook_headers_file : str | None — file of `Name: value` lines in the installation's folder
    webhook_template, webhook_content_type : a Jinja template of the body, in place of the JSON, and its media type
    """

    name: str
    email: str | None = None
    webhook: str | None = None
    minimum_priority: Priority = Priority.LOW
    quiet_hours: tuple[str, str] | None = None
    after_min: float = 0.0
    webhook_secret: str | None = None
    webhook_format: str = "json"
    webhook_transitions: str = "told"
    webhook_headers_file: str | None = None
    webhook_template: str | None = None
    webhook_content_type: str = "application/json"
    phone: str | None = None
    hours_to_reach: float | None = None
    language: str | None = None
    weekly_letter: WeeklyLetter | None = None


@dataclass(frozen=True, slots=True)
class Away:
    """Days on which others look after the house. Nobody is told less because of it.

    first, last : date — the days, both included, in the site's time zone
    look_after : tuple[str, ...] — names of contacts, in the order in which they are told
    """

    first: date
    last: date
    look_after: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class WeatherService:
    """Rain to come, polled from any JSON service: two JSONPaths and the unit of the rain."""

    url: str
    time: str
    rain: str
    unit: str = "mm"
    every_s: float = 1800.0


@dataclass(frozen=True, slots=True)
class RainTable:
    """The local depth-duration-frequency table, as its owner copied it.

    years : (C,) — return periods, rising [years]; hours : (R,) — durations, rising [h]
    depths_mm : (R, C) — rain of each duration that comes once in so many years, rising both ways [mm]
    """

    years: tuple[float, ...]
    hours: tuple[float, ...]
    depths_mm: tuple[tuple[float, ...], ...]

    @property
    def stamp(self) -> str:
        """A digest by which another table is told from this one."""
        return blake2b(repr((self.years, self.hours, self.depths_mm)).encode(), digest_size=8).hexdigest()


@dataclass(frozen=True, slots=True)
class Site:
    """One basement.

    id : str — a-z 0-9 -
    timezone : str — IANA name
    pump : Pump — of two, the one that starts first
    pumps : both, in the order in which they start; empty for a single one. Channels of the first say nothing in `of`
    pack : Pack — where there are several, all of them taken together
    rain_table : RainTable | None — the rain to be expected here once in so many years, where the owner has typed it
    packs, arrangement : the packs one by one, and how they carry, one a pump in the order of these; or empty and None
    language : str | None — ISO 639-1 code of what the site says; None: English
    set_aside : what of the file could not be used and was left out, a line each
    groups : what the list of all sites may be narrowed to: a street, an owner, a round
    away : Away | None — days on which others look after the house
    paused_until : date | None — before this day no alarm but high water is raised; None: not paused
    """

    id: str
    name: str
    timezone: str
    pump: Pump
    pack: Pack
    pit: Pit = Pit()
    units: Units = Units.METRIC
    latitude: float | None = None
    longitude: float | None = None
    loads: tuple[Load, ...] = ()
    channels: tuple[Channel, ...] = ()
    alarms: AlarmLimits = AlarmLimits()
    contacts: tuple[Contact, ...] = ()
    weather: WeatherService | None = None
    language: str | None = None
    set_aside: tuple[str, ...] = ()
    groups: tuple[str, ...] = ()
    away: Away | None = None
    paused_until: date | None = None
    packs: tuple[NamedPack, ...] = ()
    arrangement: Arrangement | None = None
    rain_table: RainTable | None = None
    pumps: tuple[NamedPump, ...] = ()

    @property
    def second_pump(self) -> NamedPump | None:
        """The pump that starts when the water stands higher; None where there is one pump only."""
        return self.pumps[1] if self.pumps else None

    @property
    def pack_a_pump(self) -> bool:
        """Whether each of two pumps hangs on a pack of its own."""
        return self.arrangement is Arrangement.ONE_A_PUMP

    def has(self, quantity: Quantity) -> bool:
        """Whether any channel measures the quantity; of two pumps, that of the first."""
        return any(c.quantity is quantity and not (c.of and quantity in PUMP_QUANTITIES) for c in self.channels)
