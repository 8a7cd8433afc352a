"""The measured quantities: what each is called, how it is stored, and what range is believable."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Quantity(StrEnum):
    """A measured quantity. The value is the name used in site files, JSON and stores."""

    PUMP_POWER = "pump_power"
    PUMP_CURRENT = "pump_current"
    PUMP_ENERGY = "pump_energy"
    PUMP_RUNNING = "pump_running"
    PIT_FLOAT = "pit_float"
    WATER_LEVEL = "water_level"
    HIGH_WATER = "high_water"
    PACK_CHARGE = "pack_charge"
    PACK_INPUT_POWER = "pack_input_power"
    PACK_OUTPUT_POWER = "pack_output_power"
    PACK_VOLTAGE = "pack_voltage"
    PACK_TEMPERATURE = "pack_temperature"
    MAINS_PRESENT = "mains_present"
    RAIN_DEPTH = "rain_depth"
    RAIN_RATE = "rain_rate"
    RAIN_EXPECTED = "rain_expected"
    LOAD_POWER = "load_power"


class Kind(StrEnum):
    """How values of a quantity behave in time."""

    GAUGE = "gauge"  # a level that holds until the next reading
    COUNTER = "counter"  # rises, and starts again after a reset or a wrap
    STATE = "state"  # yes (1.0) or no (0.0)
    AMOUNT = "amount"  # an amount since the last report
    OUTLOOK = "outlook"  # a value for a time ahead; a later telling replaces an earlier one


@dataclass(frozen=True, slots=True)
class QuantitySpec:
    """How one quantity is stored.

    unit : str — unit of stored values, in pint's spelling ("" for yes/no)
    kind : Kind
    low, high : float — the believable range in that unit; a value outside is quarantined
    """

    unit: str
    kind: Kind
    low: float
    high: float


SPECS: dict[Quantity, QuantitySpec] = {
    Quantity.PUMP_POWER: QuantitySpec("W", Kind.GAUGE, -50.0, 20_000.0),
    Quantity.PUMP_CURRENT: QuantitySpec("A", Kind.GAUGE, -1.0, 200.0),
    Quantity.PUMP_ENERGY: QuantitySpec("Wh", Kind.COUNTER, 0.0, 1e10),
    Quantity.PUMP_RUNNING: QuantitySpec("", Kind.STATE, 0.0, 1.0),
    Quantity.PIT_FLOAT: QuantitySpec("", Kind.STATE, 0.0, 1.0),
    Quantity.WATER_LEVEL: QuantitySpec("m", Kind.GAUGE, -10.0, 10.0),
    Quantity.HIGH_WATER: QuantitySpec("", Kind.STATE, 0.0, 1.0),
    Quantity.PACK_CHARGE: QuantitySpec("%", Kind.GAUGE, 0.0, 100.0),
    Quantity.PACK_INPUT_POWER: QuantitySpec("W", Kind.GAUGE, -50.0, 20_000.0),
    Quantity.PACK_OUTPUT_POWER: QuantitySpec("W", Kind.GAUGE, -50.0, 20_000.0),
    Quantity.PACK_VOLTAGE: QuantitySpec("V", Kind.GAUGE, 0.0, 1_000.0),
    Quantity.PACK_TEMPERATURE: QuantitySpec("degC", Kind.GAUGE, -60.0, 120.0),
    Quantity.MAINS_PRESENT: QuantitySpec("", Kind.STATE, 0.0, 1.0),
    Quantity.RAIN_DEPTH: QuantitySpec("mm", Kind.AMOUNT, 0.0, 500.0),
    Quantity.RAIN_RATE: QuantitySpec("mm/hour", Kind.GAUGE, 0.0, 1_000.0),
    Quantity.RAIN_EXPECTED: QuantitySpec("mm", Kind.OUTLOOK, 0.0, 500.0),
    Quantity.LOAD_POWER: QuantitySpec("W", Kind.GAUGE, -50.0, 20_000.0),
}

STATES: frozenset[Quantity] = frozenset(q for q, s in SPECS.items() if s.kind is Kind.STATE)

RUN_SOURCES: tuple[Quantity, ...] = (
    Quantity.PUMP_POWER,
    Quantity.PUMP_CURRENT,
    Quantity.PUMP_RUNNING,
    Quantity.PIT_FLOAT,
    Quantity.PUMP_ENERGY,
    Quantity.PACK_OUTPUT_POWER,
)
"""Quantities that pump runs can be told from, best first. A site needs at least one."""

PUMP_QUANTITIES: frozenset[Quantity] = frozenset(q for q in RUN_SOURCES if q is not Quantity.PACK_OUTPUT_POWER)
"""Quantities of a pump: where there are two, each says of which."""

PACK_QUANTITIES: frozenset[Quantity] = frozenset(q for q in Quantity if q.value.startswith("pack_"))
"""Quantities of a pack: where there are several, each says of which."""

PACK_POWERS: tuple[Quantity, ...] = (Quantity.PACK_INPUT_POWER, Quantity.PACK_OUTPUT_POWER)
"""Of several packs these add."""
