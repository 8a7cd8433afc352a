"""What a field behaves like, just within and just beyond each limit. The limits are common practice, no source."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from collector.decode.behaviour import Behaviour, behaviours
from collector.decode.steps import HeardValues, held, steps_of, thinned, together
from collector.decode.suggestion import named_in, suggestion
from forecaster.domain.quantities import Quantity

TOPIC = "cellar/box"


def series(values: Sequence[float], every_s: float = 10.0, *, yes_no: bool = False) -> HeardValues:
    return HeardValues(tuple(every_s * n for n in range(len(values))), tuple(values), yes_no)


def told(packs: frozenset[str] = frozenset(), **fields: HeardValues) -> dict[str, Behaviour]:
    found = behaviours({(TOPIC, name): heard for name, heard in fields.items()}, packs)
    return {path: behaviour for (_, path), behaviour in found.items() if path is not None}


def in_steps(low: float, high: float) -> list[float]:
    """Sixty values, low but for three runs of four."""
    return [high if n % 20 in (5, 6, 7, 8) else low for n in range(60)]


def says(found: dict[str, Behaviour], name: str = "field") -> tuple[Quantity | None, str | None] | None:
    return None if name not in found else (found[name].quantity, found[name].unit)


@pytest.mark.parametrize(
    ("values", "kind"),
    [
        ([100.0, 100.1], "setup.by.mains_voltage"), ([99.9, 100.5], None), ([130.0, 125.0], "setup.by.mains_voltage"),
        ([130.1, 125.0], None), ([200.0, 210.0], "setup.by.mains_voltage"), ([255.0, 250.0], "setup.by.mains_voltage"),
        ([255.1, 250.0], None), ([118.0, 127.0], "setup.by.mains_voltage"), ([112.0, 124.0], None),
        ([49.5, 50.5], "setup.by.mains_frequency"), ([49.4, 50.4], None), ([59.5, 60.5], "setup.by.mains_frequency"),
        ([60.0, 60.6], None), ([50.0, 50.0], None), ([60.1, 60.1], "setup.by.mains_frequency"),
    ],
)  # fmt: skip
def test_what_is_steady_at_the_mains_voltage_or_frequency_needs_no_channel(
    values: list[float], kind: str | None
) -> None:
    """Within 8 % of its mean: 118 to 127 V are 7.3 %, 112 to 124 V 10 %. A whole number that stands may be a charge."""
    found = told(field=series([values[n % 2] for n in range(6)])).get("field")
    assert (None if found is None or not found.unneeded else found.why.key) == kind
    assert not told(field=series([values[n % 2] for n in range(4)])), "four values are too few"


@pytest.mark.parametrize(
    ("size", "says_it"),
    [
        (1.4, None), (1.5, (Quantity.PUMP_CURRENT, "A")), (25.0, (Quantity.PUMP_CURRENT, "A")), (26.0, None),
        (59.0, None), (60.0, (Quantity.PUMP_POWER, "W")), (3000.0, (Quantity.PUMP_POWER, "W")), (3001.0, None),
    ],
)  # fmt: skip
def test_what_goes_in_steps_of_a_motors_size(size: float, says_it: tuple[Quantity, str] | None) -> None:
    found = told(field=series(in_steps(0.0, size)))
    assert says(found) == (says_it or (None, None))
    assert found["field"].weak is (says_it is not None)
    beside = told(frozenset({TOPIC}), field=series(in_steps(0.0, size)))
    if says_it == (Quantity.PUMP_POWER, "W"):
        assert says(beside) == (Quantity.PACK_OUTPUT_POWER, "W"), "beside a charge it is the pack's output"


@pytest.mark.parametrize(
    ("power", "current", "units"),
    [
        (480.0, 4.0, ("W", "A")), (0.48, 4.0, ("kW", "A")), (480.0, 4000.0, ("W", "mA")),
        (480.0, 5.4, None), (480.0, 5.3, ("W", "A")),  # 89 V and 90.6 V between them
        (480.0, 1.84, None), (480.0, 1.85, ("W", "A")),  # 261 V and 259 V
        (60.0, 0.24, None), (60.0, 0.25, ("W", "A")),
    ],
)  # fmt: skip
def test_two_steps_at_once_are_power_and_current_where_a_mains_voltage_lies_between(
    power: float, current: float, units: tuple[str, str] | None
) -> None:
    found = told(power=series(in_steps(0.0, power)), current=series(in_steps(0.0, current)))
    if units is None:
        assert found["power"].why.key != "setup.by.pair"
        return
    assert says(found, "power") == (Quantity.PUMP_POWER, units[0])
    assert says(found, "current") == (Quantity.PUMP_CURRENT, units[1])
    assert not found["power"].weak


def test_a_yes_with_the_pump_is_its_running_and_one_alone_is_weak() -> None:
    flag = series(in_steps(0.0, 1.0), yes_no=True)
    with_power = told(flag=flag, power=series(in_steps(0.0, 480.0)))
    assert (says(with_power, "flag"), with_power["flag"].weak) == ((Quantity.PUMP_RUNNING, None), False)
    assert told(flag=flag)["flag"].weak


def with_pump(resting: Sequence[float], running: Sequence[float]) -> dict[str, Behaviour]:
    """A field beside a power; its values while the pump rests and runs, over and over."""
    on = [value > 0 for value in in_steps(0.0, 480.0)]
    rests, runs = iter(list(resting) * 60), iter(list(running) * 60)
    return told(
        power=series(in_steps(0.0, 480.0)), field=series([next(runs) if is_on else next(rests) for is_on in on])
    )


@pytest.mark.parametrize(
    ("rest", "run", "unit"),
    [
        (51.8, 50.9, "V"), (51_800.0, 50_900.0, "mV"),
        (48.0, 47.87, None), (48.0, 47.84, "V"),  # 0.27 and 0.33 %
        (50.0, 40.1, "V"), (50.0, 39.9, None),  # 20 %
        (62.0, 60.0, "V"), (62.1, 60.0, None), (10.9, 10.0, "V"), (10.9, 9.9, None),
    ],
)  # fmt: skip
def test_a_voltage_that_dips_under_the_motor_is_the_packs(rest: float, run: float, unit: str | None) -> None:
    found = says(with_pump([rest], [run]))
    assert (found == (Quantity.PACK_VOLTAGE, unit)) is (unit is not None)


def sawing(swing: float, up: float = 1.0) -> dict[str, Behaviour]:
    """Water that falls by a quarter of its swing each ten seconds of a run, and rises so far again between the runs."""
    level, values = 100.0 * swing, []
    for watts in in_steps(0.0, 480.0):
        level += -swing / 4.0 if watts else up * swing / 16.0
        values.append(level)
    low = min(values)
    return told(power=series(in_steps(0.0, 480.0)), field=series([value - low for value in values]))


@pytest.mark.parametrize(
    ("span", "unit"), [(0.15, "m"), (0.5, "m"), (15.0, "cm"), (150.0, "mm"), (0.01, None), (1.5, None), (5000.0, None)]
)
def test_water_falls_in_a_run_by_what_a_pit_holds(span: float, unit: str | None) -> None:
    found = sawing(span)
    assert says(found) == ((Quantity.WATER_LEVEL, unit) if unit else (None, None))


def test_a_distance_to_the_water_is_no_level() -> None:
    found = sawing(-0.15)["field"]
    assert (found.quantity, found.excludes) == (None, Quantity.WATER_LEVEL)


@pytest.mark.parametrize(
    ("per_wh", "share", "unit"),
    [
        (1.0, 1.0, "Wh"), (0.001, 1.0, "kWh"), (3600.0, 1.0, "J"), (1.0, 1.29, "Wh"), (1.0, 1.31, None),
        (1.0, 0.71, "Wh"), (1.0, 0.69, None),
    ],
)  # fmt: skip
def test_a_counter_rises_by_what_the_power_sums_to(per_wh: float, share: float, unit: str | None) -> None:
    """480 W in three runs of 40 s are 16 Wh; within three tenths."""
    total, values = 0.0, []
    for watts in in_steps(0.0, 480.0):
        values.append(share * per_wh * total)
        total += watts * 10.0 / 3600.0
    found = told(power=series(in_steps(0.0, 480.0)), count=series(values))
    assert says(found, "count") == ((Quantity.PUMP_ENERGY, unit) if unit else (None, None))


@pytest.mark.parametrize(("per_s", "counts"), [(1.0, True), (1000.0, True), (1.04, True), (1.06, False), (7.0, False)])
def test_what_rises_by_the_second_is_a_clock(per_s: float, counts: bool) -> None:
    found = told(field=series([500.0 + per_s * 10.0 * n for n in range(20)]))["field"]
    assert (found.why.key, found.unneeded) == (("setup.by.seconds", True) if counts else ("setup.by.rises", False))


@pytest.mark.parametrize(
    ("values", "says_it"),
    [
        ([71.0, 71.0, 70.0, 70.0, 69.0], (Quantity.PACK_CHARGE, "%")),
        ([0.71, 0.71, 0.7, 0.7, 0.69], (Quantity.PACK_CHARGE, "ratio")),
        ([71.0, 71.0, 69.0, 69.0, 68.0], (Quantity.PACK_CHARGE, "%")), ([71.0, 71.0, 68.9, 68.0, 68.0], None),
        ([101.0, 100.0, 100.0, 99.0, 99.0], None), ([51.5, 51.4, 51.4, 51.3, 51.3], (None, None)),
        ([62.5, 62.4, 62.4, 62.3, 62.3], (Quantity.PACK_CHARGE, "%")), ([71.0, 70.0, 71.0, 70.0, 69.0], None),
    ],
)  # fmt: skip
def test_what_falls_slowly_and_never_rises_may_be_a_charge(
    values: list[float], says_it: tuple[Quantity | None, str | None] | None
) -> None:
    """By two per cent of its scale at once; below 62 a voltage falls so too."""
    assert says(told(field=series(values))) == says_it


def test_steps_go_between_two_levels_and_back() -> None:
    found = steps_of(series([1.0, 1.0, 9.0, 9.0, 1.0, 1.0]))
    assert found is not None
    assert (found.low, found.high, found.edges, found.ups, found.near_s) == (1.0, 9.0, 2, (20.0, 30.0), 15.0)
    assert steps_of(series([1.0, 1.0, 9.0, 9.0])) is None, "not back"
    assert steps_of(series([5.0, 5.0, 9.0, 9.0, 5.0])) is None, "not twice as high"
    assert steps_of(series([-1.0, -1.0, 9.0, 9.0, -1.0])) is None
    assert steps_of(series([4.5, 4.5, 9.0, 9.0, 4.5], 1.0)) is not None
    fine = steps_of(series([1.0, 1.0, 9.0, 9.0, 1.0], 1.0))
    assert fine is not None
    assert fine.near_s == 3.0


@pytest.mark.parametrize(("between", "goes"), [(9, True), (10, False)])
def test_up_to_a_seventh_of_the_values_may_lie_between_the_levels(between: int, goes: bool) -> None:
    """Nine of sixty are 15 %."""
    values = [100.0] * 25 + [50.0] * between + [0.0] * (60 - 25 - between - 5) + [100.0] * 5
    assert (steps_of(series(values)) is not None) is goes


def test_what_is_above_at_a_moment_and_together() -> None:
    step = steps_of(series([0.0, 0.0, 9.0, 9.0, 0.0, 0.0]))
    late = steps_of(HeardValues((14.0, 24.0, 34.0, 44.0, 54.0, 64.0), (0.0, 0.0, 9.0, 9.0, 0.0, 0.0)))
    far = steps_of(HeardValues((30.0, 40.0, 50.0, 60.0, 70.0, 80.0), (0.0, 0.0, 9.0, 9.0, 0.0, 0.0)))
    assert step is not None
    assert late is not None
    assert far is not None
    assert [held(step, at) for at in (-1.0, 0.0, 19.9, 20.0, 39.9, 40.0)] == [False, False, False, True, True, False]
    assert together(step, late)
    assert not together(step, far)


def test_a_sum_of_a_power_holds_each_value_until_the_next() -> None:
    """360 W for 10 s are 1 Wh; of a span only what lies within."""
    power = HeardValues((0.0, 10.0, 20.0), (360.0, 720.0, 0.0))
    assert power.sum_wh(0.0, 20.0) == pytest.approx(3.0)
    assert power.sum_wh(5.0, 15.0) == pytest.approx(1.5)
    assert power.sum_wh(25.0, 30.0) == 0.0


def test_a_long_series_is_thinned_at_its_older_half() -> None:
    times, values = [float(n) for n in range(240)], [float(n) for n in range(240)]
    thinned(times, values)
    assert len(times) == 240
    times.append(240.0)
    values.append(240.0)
    thinned(times, values)
    assert times == values == [*map(float, range(0, 120, 2)), *map(float, range(120, 241))]


@pytest.mark.parametrize(
    ("quantity", "unit", "values", "proposed"),
    [
        (Quantity.PACK_CHARGE, "%", [0.0, 100.0], "%"), (Quantity.PACK_CHARGE, "%", [100.1], None),
        (Quantity.PACK_CHARGE, "%", [-0.1], None), (Quantity.PACK_CHARGE, "%", [0.5, 1.0], "ratio"),
        (Quantity.PACK_CHARGE, "%", [0.5, 1.1], "%"), (Quantity.PACK_CHARGE, "%", [0.0, 1.0], "%"),
        (Quantity.PACK_VOLTAGE, "V", [9.0, 62.0], "V"), (Quantity.PACK_VOLTAGE, "V", [8.9], None),
        (Quantity.PACK_VOLTAGE, "V", [62.1], None), (Quantity.PACK_VOLTAGE, "V", [9000.0, 62_000.0], "mV"),
        (Quantity.PACK_VOLTAGE, "V", [8999.0], None), (Quantity.PACK_VOLTAGE, "V", [62_001.0], None),
        (Quantity.PACK_TEMPERATURE, "degC", [-30.0, 60.0], "degC"), (Quantity.PACK_TEMPERATURE, "degC", [60.1], "degF"),
        (Quantity.PACK_TEMPERATURE, "degC", [-22.0, 140.0], "degF"), (Quantity.PACK_TEMPERATURE, "degC", [-30.1], None),
        (Quantity.PACK_TEMPERATURE, "degC", [140.1], None),
        (Quantity.PACK_TEMPERATURE, "degC", [243.0, 333.0], "kelvin"),
        (Quantity.PACK_TEMPERATURE, "degC", [242.9], None), (Quantity.PACK_TEMPERATURE, "degC", [333.1], None),
        (Quantity.PACK_TEMPERATURE, "degF", [50.0], "degF"),
        (Quantity.WATER_LEVEL, "m", [-1.0, 4.0], "m"), (Quantity.WATER_LEVEL, "m", [-1.1], "cm"),
        (Quantity.WATER_LEVEL, "m", [4.1], "cm"), (Quantity.WATER_LEVEL, "m", [-100.0, 400.0], "cm"),
        (Quantity.WATER_LEVEL, "m", [-100.1], "mm"), (Quantity.WATER_LEVEL, "m", [400.1], "mm"),
        (Quantity.WATER_LEVEL, "m", [-1000.0, 4000.0], "mm"), (Quantity.WATER_LEVEL, "m", [4001.0], None),
        (Quantity.WATER_LEVEL, "m", [-1001.0], None), (Quantity.WATER_LEVEL, "cm", [1000.0], "mm"),
        (Quantity.PUMP_CURRENT, "A", [0.0, 60.0], "A"), (Quantity.PUMP_CURRENT, "A", [60.1], "mA"),
        (Quantity.PUMP_CURRENT, "A", [-0.1], None), (Quantity.PUMP_CURRENT, "A", [60_001.0], None),
        (Quantity.PUMP_CURRENT, "mA", [4.0], "mA"), (Quantity.PUMP_POWER, "W", [1e9], "W"),
    ],
)  # fmt: skip
def test_in_which_unit_values_are_usual(
    quantity: Quantity, unit: str, values: list[float], proposed: str | None
) -> None:
    """A unit that the name tells is believed as far as the values fit it."""
    made = suggestion((quantity, unit), values, None)
    assert (made.quantity, made.unit) == ((None, None) if proposed is None else (quantity, proposed))
    assert bool(made.why) is (proposed != unit)


@pytest.mark.parametrize(
    ("name", "kind", "quantity", "unit"),
    [
        ("input_watts", "number", Quantity.PACK_INPUT_POWER, "W"),
        ("power_in", "number", Quantity.PACK_INPUT_POWER, "W"),
        ("output_power", "number", Quantity.PACK_OUTPUT_POWER, "W"),
        ("p_out", "number", Quantity.PACK_OUTPUT_POWER, "W"),
        ("battery_level", "number", Quantity.PACK_CHARGE, "%"), ("percent", "number", Quantity.PACK_CHARGE, "%"),
        ("energy_wh", "number", Quantity.PUMP_ENERGY, "Wh"), ("energy", "number", Quantity.PUMP_ENERGY, "kWh"),
        ("power_mw", "number", Quantity.PUMP_POWER, "mW"), ("amps", "number", Quantity.PUMP_CURRENT, "A"),
        ("current_ma", "number", Quantity.PUMP_CURRENT, "mA"), ("voltage_mv", "number", Quantity.PACK_VOLTAGE, "mV"),
        ("temp_f", "number", Quantity.PACK_TEMPERATURE, "degF"), ("flood", "yes-no", Quantity.HIGH_WATER, None),
        ("float", "yes-no", Quantity.PIT_FLOAT, None), ("depth_cm", "number", Quantity.WATER_LEVEL, "cm"),
        ("grid", "yes-no", Quantity.MAINS_PRESENT, None), ("relay", "yes-no", Quantity.PUMP_RUNNING, None),
        ("rain_rate", "number", Quantity.RAIN_RATE, "mm/hour"), ("rain", "number", Quantity.RAIN_DEPTH, "mm"),
    ],
)  # fmt: skip
def test_words_in_names(name: str, kind: str, quantity: Quantity, unit: str | None) -> None:
    assert named_in("cellar/x", f"$.{name}", kind) == (quantity, unit)
    assert named_in(f"cellar/{name}", None, kind) == (quantity, unit)
    assert named_in("cellar/x", f"$.{name}", "text") is None


def test_a_word_within_another_is_none() -> None:
    assert named_in("cellar/x", "$.spawning", "number") is None
    assert named_in("cellar/x", "$.trained", "number") is None
    assert named_in("cellar/x", "$.float", "number") is None, "a float tells yes or no"
