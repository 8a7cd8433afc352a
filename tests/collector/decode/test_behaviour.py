"""What fields are, told from how their values behave: the twin's house, heard without a telling name.

What stands for the truth is the twin, which knows what each source measures; the rules themselves are common practice.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Mapping, Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.decode import behaviour
from collector.decode.behaviour import Behaviour, Key, behaviours
from collector.decode.discovery import Discovery
from collector.decode.steps import MOST, HeardValues, Steps, thinned
from collector.decode.suggestion import named_in, suggestion
from collector.decode.units import conversion
from forecaster.domain.quantities import SPECS, Quantity

RUNS = ((40.0, 52.0), (160.0, 171.0), (280.0, 292.0))
SPAN_S = 360


def running(at_s: float) -> bool:
    return any(start <= at_s < end for start, end in RUNS)


def house(seed: int = 1) -> dict[str, list[tuple[float, float]]]:
    """A cellar for six minutes, a value every two seconds: a motor of 480 W on 120 V, a pit, a pack on battery."""
    drawn = random.Random(seed)
    made: dict[str, list[tuple[float, float]]] = {}
    level, counted, charge, volts = 0.10, 1234.5, 71.2, 51.8

    def tell(name: str, at: float, value: float) -> None:
        made.setdefault(name, []).append((at, value))

    for step in range(SPAN_S // 2):
        at = 2.0 * step
        on = running(at)
        watts = (480.0 + drawn.uniform(-6, 6)) if on else drawn.uniform(0.0, 0.6)
        counted += watts * 2.0 / 3600.0
        level = max(0.0, level - 0.03) if on else level + 0.0012
        charge -= 0.02 if on else 0.0005
        tell("watts", at, round(watts, 1))
        tell("amperes", at, round(watts * 1.02 / 118.0, 2))
        tell("wh", at, round(counted, 1))
        tell("level_m", at, round(level, 3))
        tell("percent", at, float(int(charge)))
        tell("battery_v", at, round(volts - (0.9 if on else 0.0) + drawn.uniform(-0.02, 0.02), 2))
        tell("mains_v", at, round(121.0 + drawn.uniform(-0.8, 0.8), 1))
        tell("mains_hz", at, round(60.0 + drawn.uniform(-0.04, 0.04), 2))
        tell("uptime", at, 50_000.0 + at)
        tell("room", at, 21.5)
        tell("rssi", at, -61.0 + round(drawn.uniform(-2, 2)))
    return made


def told(
    heard: Mapping[str, Sequence[tuple[float, float]]], packs: frozenset[str] = frozenset()
) -> dict[str, Behaviour]:
    series: dict[Key, HeardValues] = {
        (name, None): HeardValues(tuple(at for at, _ in pairs), tuple(value for _, value in pairs), name == "yes")
        for name, pairs in heard.items()
    }
    return {key[0]: found for key, found in behaviours(series, packs).items()}


@pytest.mark.parametrize("seed", range(8))
def test_a_house_without_a_telling_name_is_told_apart(seed: int) -> None:
    found = told(house(seed))
    proposed = {name: (b.quantity, b.unit) for name, b in found.items() if b.quantity is not None}
    assert proposed == {
        "watts": (Quantity.PUMP_POWER, "W"), "amperes": (Quantity.PUMP_CURRENT, "A"),
        "wh": (Quantity.PUMP_ENERGY, "Wh"), "level_m": (Quantity.WATER_LEVEL, "m"),
        "percent": (Quantity.PACK_CHARGE, "%"), "battery_v": (Quantity.PACK_VOLTAGE, "V"),
    }  # fmt: skip
    assert all(found[name].unneeded for name in ("mains_v", "mains_hz", "uptime"))
    assert "room" not in found
    assert "rssi" not in found


@pytest.mark.parametrize(
    ("name", "factor", "unit"),
    [("watts", 1e-3, "kW"), ("amperes", 1e3, "mA"), ("wh", 1e-3, "kWh"), ("level_m", 100.0, "cm"),
     ("level_m", 1000.0, "mm"), ("percent", 0.01, "ratio"), ("battery_v", 1000.0, "mV"), ("wh", 3600.0, "J")],
)  # fmt: skip
def test_another_scale_is_told_with_its_unit(name: str, factor: float, unit: str) -> None:
    heard = house()
    heard[name] = [(at, value * factor) for at, value in heard[name]]
    assert told(heard)[name].unit == unit


def test_a_power_beside_a_charge_is_the_packs_output() -> None:
    found = told(house(), frozenset({"watts"}))
    assert found["watts"].quantity is Quantity.PACK_OUTPUT_POWER


def test_yes_with_the_pump_is_its_running_and_a_distance_is_no_level() -> None:
    heard = house()
    heard["yes"] = [(at + 0.7, float(running(at))) for at, _ in heard["watts"]]
    heard["from_above"] = [(at, 1.2 - value) for at, value in heard["level_m"]]
    found = told(heard)
    assert found["yes"].quantity is Quantity.PUMP_RUNNING
    assert found["yes"].why.key == "setup.by.yes_with"
    assert found["from_above"].excludes is Quantity.WATER_LEVEL


def test_what_has_not_moved_or_moves_alone_proposes_little() -> None:
    """A pump that has not run: no power is told. A small step alone may be kW as well as A."""
    still = {name: [(at, value) for at, value in pairs if at < 36.0] for name, pairs in house().items()}
    assert not {name for name, found in told(still).items() if found.quantity is not None}
    small = {"x": [(at, value / 1000.0) for at, value in house()["watts"]]}
    assert told(small)["x"].quantity is None
    assert told({"charge": [(float(n), 100.0) for n in range(30)]}) == {}
    assert told({"charge": [(float(n), 60.0) for n in range(30)]}) == {}
    warm = {"x": [(float(n), 24.0 - 0.1 * (n // 10)) for n in range(60)]}
    assert told(warm)["x"].quantity is None


def test_noise_is_nothing() -> None:
    """A walk, a sine and white noise, of many sizes: no quantity is proposed."""
    for seed in range(40):
        drawn = random.Random(seed)
        size = 10 ** drawn.uniform(-1, 4)
        noise = [(2.0 * n, drawn.gauss(5 * size, size)) for n in range(150)]
        sine = [(2.0 * n, 5 * size + size * math.sin(n / 9.0)) for n in range(150)]
        found = told({"noise": noise, "sine": sine})
        assert all(b.quantity is None for b in found.values()), (seed, found)


def test_names_and_behaviour_are_weighed() -> None:
    found = told(house())
    power, mains = found["watts"], found["mains_v"]
    agreed = suggestion((Quantity.PUMP_POWER, "W"), [480.0], power)
    assert (agreed.quantity, agreed.unit, len(agreed.why)) == (Quantity.PUMP_POWER, "W", 1)
    assert suggestion((Quantity.PACK_VOLTAGE, "V"), [121.0], mains).quantity is None
    assert suggestion((Quantity.PACK_VOLTAGE, "V"), [121.0], None).quantity is None
    steady = suggestion((Quantity.PACK_OUTPUT_POWER, "W"), [121.0], mains)  # a load may draw just that
    assert (steady.quantity, steady.why) == (Quantity.PACK_OUTPUT_POWER, ())
    half = suggestion((Quantity.PACK_CHARGE, "%"), [60.1], found["mains_hz"])
    assert (half.quantity, half.why) == (Quantity.PACK_CHARGE, ())
    contrary = suggestion((Quantity.WATER_LEVEL, "m"), [480.0], power)
    assert (contrary.quantity, contrary.contrary) == (None, True)
    charging = suggestion(
        (Quantity.PACK_INPUT_POWER, "W"), [480.0], power
    )  # powers behave alike, and the name says which
    assert (charging.quantity, charging.unit) == (Quantity.PACK_INPUT_POWER, "W")
    falls = found["percent"]
    cooling = suggestion((Quantity.PACK_TEMPERATURE, "degC"), [65.0, 64.0], falls)  # much falls slowly
    assert (cooling.quantity, cooling.unit, cooling.contrary) == (Quantity.PACK_TEMPERATURE, "degF", False)
    flips = told({"yes": [(float(n), float(n % 20 < 9)) for n in range(60)]})["yes"]
    assert suggestion((Quantity.MAINS_PRESENT, None), [], flips).quantity is Quantity.MAINS_PRESENT
    finer = suggestion((Quantity.PACK_OUTPUT_POWER, "W"), [480.0], power)
    assert finer.quantity is Quantity.PACK_OUTPUT_POWER
    assert suggestion(None, [], None).quantity is None


@pytest.mark.parametrize(
    ("name", "values", "quantity", "unit"),
    [
        ("soc", [0.93], Quantity.PACK_CHARGE, "ratio"), ("soc", [93.0], Quantity.PACK_CHARGE, "%"),
        ("soc", [1.0], Quantity.PACK_CHARGE, "%"), ("lvl", [23.0], Quantity.WATER_LEVEL, "cm"),
        ("level_mm", [23.0], Quantity.WATER_LEVEL, "mm"), ("temp", [72.0], Quantity.PACK_TEMPERATURE, "degF"),
        ("temp_c", [21.0], Quantity.PACK_TEMPERATURE, "degC"), ("packVoltage", [51_200.0], Quantity.PACK_VOLTAGE, "mV"),
        ("w_now", [481.0], Quantity.PUMP_POWER, "W"), ("p_in", [120.0], Quantity.PACK_INPUT_POWER, "W"),
        ("power_kw", [0.4], Quantity.PUMP_POWER, "kW"), ("current", [4100.0], Quantity.PUMP_CURRENT, "mA"),
        ("total_kwh", [56.3], Quantity.PUMP_ENERGY, "kWh"), ("charge_power", [300.0], Quantity.PACK_INPUT_POWER, "W"),
    ],
)  # fmt: skip
def test_a_name_is_proposed_in_the_unit_that_its_values_fit(
    name: str, values: list[float], quantity: Quantity, unit: str
) -> None:
    made = suggestion(named_in("cellar/x", f"$.{name}", "number"), values, None)
    assert (made.quantity, made.unit) == (quantity, unit)


def test_a_long_series_keeps_its_span_and_an_end() -> None:
    times: list[float] = []
    values: list[float] = []
    for n in range(5_000):
        times.append(float(n))
        values.append(float(n))
        thinned(times, values)
    assert len(times) == len(values) <= MOST
    assert times[0] == 0.0
    assert times[-1] == 4999.0
    assert times == sorted(times)


def test_a_listener_hears_behaviour_and_memory_tells_none() -> None:
    now = 0.0
    heard = Discovery(lambda: now)
    for at, value in house()["watts"]:
        now = at
        heard.hear("cellar/a", b'{"x":%r}' % value, False)
        heard.hear("cellar/b", b'{"x":%r}' % value, True)
    by_topic = {topic.topic: topic.fields[0] for topic in heard.topics()}
    assert by_topic["cellar/a"].quantity is Quantity.PUMP_POWER
    assert by_topic["cellar/b"].quantity is None


@given(
    st.lists(
        st.lists(st.one_of(st.floats(allow_nan=False, allow_infinity=False), st.integers(), st.booleans(),
                           st.sampled_from(("on", "off", "ON", "5", "x", None))), min_size=1, max_size=60),
        min_size=1, max_size=4,
    )
)  # fmt: skip
def test_whatever_is_heard_is_told(columns: list[list[Any]]) -> None:
    """Out of range, constant, mixed, of one value: nothing raises, and what is proposed has a unit that converts."""
    now = 0.0
    heard = Discovery(lambda: now)
    for step in range(max(map(len, columns))):
        now += 1.0
        row = {f"x{n}": column[step % len(column)] for n, column in enumerate(columns)}
        heard.hear("cellar/a", json.dumps(row).encode(), False)
    for topic in heard.topics():
        for field in topic.fields:
            if field.quantity is not None and field.unit is not None:
                assert conversion(field.unit, SPECS[field.quantity].unit) is not None


def test_hundreds_of_fields_are_not_held_each_against_each(monkeypatch: pytest.MonkeyPatch) -> None:
    """Four hundred that step, four a topic: 160,000 pairs took 40 s of processor time."""
    tried = 0

    def counted(_one: Steps, _other: Steps) -> bool:
        nonlocal tried
        tried += 1
        return False

    monkeypatch.setattr(behaviour, "together", counted)
    values = tuple(481.5 if n % 20 < 6 else 0.0 for n in range(120))
    times = tuple(2.0 * n for n in range(120))
    found = behaviours({(f"t{n // 4}", f"$.x{n}"): HeardValues(times, tuple(v / (1 + n % 2 * 116) for v in values))
                        for n in range(400)})  # fmt: skip
    assert len(found) == 400
    assert 0 < tried <= 400 * (behaviour.MOST_BESIDE + 3)
