"""Each rule's judgement of one piece of evidence, at both sides of every limit; unknown stays unknown."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from forecaster.alarms.evidence import AlarmEvidence, Failing, Outside, Verdict
from forecaster.alarms.rules_pump import (
    missed_since_ms,
    pump_overrun,
    pump_silent,
    rapid_cycling,
    second_pump_running,
)
from forecaster.alarms.rules_supply import (
    critical_reserve,
    low_reserve,
    pack_not_charging,
    pack_output_off,
    reserve_reached,
)
from forecaster.alarms.rules_watch import delivery_failing, telemetry_silent
from forecaster.domain.alarms import AlarmKind, Priority
from forecaster.domain.forecast import Basis, PackNow, PackRole, PumpNow, PumpRole, Quantiles, Water
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Supply
from forecaster.domain.site import AlarmLimits, Arrangement, Driven
from forecaster.domain.status import QuantityAge, Spread
from tests.forecaster.evidence import DAY, HOUR, LARKSPUR, MINUTE, START_MS, forecast, status

ON, OFF, HOLD, UNKNOWN = Verdict.ON, Verdict.OFF, Verdict.HOLD, Verdict.UNKNOWN
MAINS, PACK = Supply.MAINS, Supply.PACK


def evidence(ahead: dict[str, Any] | None = None, outside: Outside | None = None, **facts: Any) -> AlarmEvidence:
    """A house at rest on mains, changed in some facts."""
    said = forecast(START_MS, **{"supply": facts.get("supply", MAINS), **(ahead or {})})
    return AlarmEvidence(
        LARKSPUR, AlarmLimits(), status(START_MS, **facts), said, outside or Outside(), START_MS,
        START_MS - 30 * DAY, START_MS - 30 * DAY,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("supply", "charge", "p50", "said"),
    [
        (PACK, 10.0, 5.0, ON), (PACK, 9.0, 5.0, ON), (PACK, 10.2, 5.0, HOLD), (PACK, 40.0, 0.0, OFF),
        (MAINS, 9.0, 5.0, HOLD), (MAINS, 40.0, 0.0, OFF),
        (PACK, None, 0.0, ON), (PACK, None, 0.3, OFF), (PACK, None, None, UNKNOWN),
        (MAINS, None, 0.3, OFF), (MAINS, None, 0.2, HOLD), (MAINS, None, None, UNKNOWN),
    ],
)  # fmt: skip
def test_the_floor_is_reached_by_the_charge_or_else_by_the_forecast(
    supply: Supply, charge: float | None, p50: float | None, said: Verdict
) -> None:
    """LARKSPUR keeps 10 %. Where no charge is known the median decides, and the mains never raise it."""
    ahead: dict[str, Any] = {"hours_remaining": Quantiles(p50=p50), "charge_percent": None}
    assert reserve_reached(evidence(ahead, supply=supply, charge_percent=charge)).verdict is said


def test_a_charge_that_is_only_reckoned_counts_as_well() -> None:
    assert reserve_reached(evidence({"charge_percent": 9.0}, supply=PACK, charge_percent=None)).verdict is ON
    assert reserve_reached(evidence({"basis": Basis.PROJECTED}, supply=PACK, charge_percent=9.0)).verdict is UNKNOWN


@pytest.mark.parametrize(("p10", "low", "critical"), [(6.5, OFF, OFF), (5.0, ON, OFF), (1.5, ON, ON)])
def test_a_reserve_is_low_on_the_pack_alone(p10: float, low: Verdict, critical: Verdict) -> None:
    ahead: dict[str, Any] = {"hours_remaining": Quantiles(p10=p10, p50=p10 + 3.0)}
    assert low_reserve(evidence(ahead, supply=PACK)).verdict is low
    assert critical_reserve(evidence(ahead, supply=PACK)).verdict is critical
    assert low_reserve(evidence(ahead, supply=MAINS)).verdict is OFF
    never: dict[str, Any] = {"hours_remaining": Quantiles(), "never_probability": 0.95}
    assert low_reserve(evidence(never, supply=PACK)).verdict is OFF
    assert low_reserve(evidence({**never, "never_probability": 0.5}, supply=PACK)).verdict is UNKNOWN


@pytest.mark.parametrize(
    ("after_min", "rate", "said"),
    [(10.0, 0.0, UNKNOWN), (16.0, 0.0, ON), (16.0, 0.4, ON), (16.0, 0.6, OFF), (16.0, None, UNKNOWN)],
)
def test_a_pack_is_given_a_quarter_of_an_hour_to_charge(after_min: float, rate: float | None, said: Verdict) -> None:
    since_ms = START_MS - round(after_min * MINUTE)
    facts: dict[str, Any] = {"charge_percent": 60.0, "supply_since_ms": since_ms, "charge_rate_percent_per_h": rate}
    assert pack_not_charging(evidence(**facts)).verdict is said
    assert pack_not_charging(evidence(**{**facts, "supply": PACK})).verdict is OFF


def test_a_charge_that_stands_is_not_charged_and_a_short_answer_makes_it_urgent() -> None:
    facts: dict[str, Any] = {"charge_percent": 60.0, "charge_rate_percent_per_h": None}
    assert pack_not_charging(evidence(**facts, charge_stood_s=3_000.0)).verdict is UNKNOWN
    stood = pack_not_charging(evidence(**facts, charge_stood_s=4_000.0))
    assert (stood.verdict, stood.priority) == (ON, Priority.MEDIUM)
    short: dict[str, Any] = {"hours_remaining": Quantiles(p10=3.0, p50=5.0)}
    assert pack_not_charging(evidence(short, **facts, charge_stood_s=4_000.0)).priority is Priority.HIGH
    rested = replace(evidence(**facts, charge_stood_s=4_000.0), rest_percent=80.0)
    assert pack_not_charging(rested).verdict is ON
    assert pack_not_charging(replace(rested, rest_percent=61.0)).verdict is ON, "below three quarters it is no rest"


@pytest.mark.parametrize(
    ("normal_s", "lasted_s", "said"),
    [(30.0, 130.0, HOLD), (30.0, 400.0, ON), (8.0, 115.0, HOLD), (8.0, 125.0, ON), (8.0, 20.0, HOLD)],
)
def test_a_run_is_far_too_long_by_the_sites_own_and_never_below_two_minutes(
    normal_s: float, lasted_s: float, said: Verdict
) -> None:
    """Eight times the longest usual run (the table's limit), and at least 120 s."""
    normal = Spread(0.9 * normal_s, 0.95 * normal_s, normal_s, 400)
    facts: dict[str, Any] = {"running_since_ms": START_MS - round(lasted_s * 1000), "run_s_normal": normal}
    assert pump_overrun(evidence(**facts)).verdict is said
    young: dict[str, Any] = {**facts, "run_s_normal": replace(normal, count=19)}
    assert pump_overrun(evidence(**young)).verdict is UNKNOWN
    assert pump_overrun(evidence(**{**facts, "run_s_normal": replace(normal, count=20)})).verdict is said
    assert pump_overrun(evidence(**facts, frozen=(Quantity.PUMP_POWER,))).verdict is UNKNOWN
    assert pump_overrun(evidence(**facts, frozen=(Quantity.PACK_CHARGE,))).verdict is said
    assert pump_overrun(evidence({"basis": Basis.PROJECTED}, **facts)).verdict is UNKNOWN
    assert pump_overrun(evidence(run_s_normal=normal)).verdict is OFF


def test_rapid_cycling_needs_many_starts_and_a_known_normal() -> None:
    normal = Spread(2.0, 4.0, 6.0, 300)
    rapid: dict[str, Any] = {"cycles_per_hour_normal": normal, "cycles_last_hour": 40}
    assert rapid_cycling(evidence(**rapid)).verdict is ON
    assert rapid_cycling(evidence(**rapid, frozen=(Quantity.PUMP_POWER,))).verdict is UNKNOWN
    assert rapid_cycling(evidence(**rapid, clock_suspect="set")).verdict is UNKNOWN
    assert rapid_cycling(evidence(**{**rapid, "cycles_per_hour_normal": replace(normal, count=23)})).verdict is UNKNOWN
    few: dict[str, Any] = {"cycles_per_hour_normal": Spread(0.5, 1.0, 1.5, 300), "cycles_last_hour": 11}
    assert rapid_cycling(evidence(**few)).verdict is not ON


@pytest.mark.parametrize(("supply", "p10", "said"), [
    (MAINS, 1.0, Priority.MEDIUM), (PACK, 9.0, Priority.HIGH), (PACK, 1.9, Priority.CRITICAL),
    (PACK, None, Priority.HIGH),
])  # fmt: skip
def test_silence_is_as_urgent_as_the_end_that_it_hides(supply: Supply, p10: float | None, said: Priority) -> None:
    """Critical from the owner's critical reserve on: two hours by default."""
    ahead: dict[str, Any] = {"hours_remaining": Quantiles(p10=p10), "basis": Basis.PROJECTED}
    seen = evidence(ahead, supply=supply, silent=True, data_age_s=5 * HOUR / 1000)
    assert (telemetry_silent(seen).verdict, telemetry_silent(seen).priority) == (ON, said)
    trouble = evidence({**ahead, "basis": Basis.MEASURED}, Outside(trouble="the disk is full"), supply=supply)
    assert (telemetry_silent(trouble).verdict, telemetry_silent(trouble).priority) == (ON, said)


def test_a_channel_fails_when_it_has_for_longer_than_the_limit() -> None:
    limit_ms = round(60_000 * (evidence().row(AlarmKind.DELIVERY_FAILING).limit or 0.0))
    assert limit_ms > MINUTE
    for since_ms, said in ((limit_ms - MINUTE, HOLD), (limit_ms + MINUTE, ON)):
        failing = Outside(failing=(Failing("mail", START_MS - since_ms, "refused"),))
        assert delivery_failing(evidence(outside=failing)).verdict is said
    assert delivery_failing(evidence()).verdict is OFF


@pytest.mark.parametrize(("source_s", "other_s", "said"), [(290.0, 5.0, UNKNOWN), (5.0, 290.0, ON), (5.0, 5.0, ON)])
def test_a_run_is_too_long_only_while_its_own_source_goes_on_reporting_it(
    source_s: float, other_s: float, said: Verdict
) -> None:
    """A plug that goes silent during a run cannot report its end, whatever else of the house is heard."""
    ages = (
        QuantityAge(Quantity.PUMP_POWER, "", 470.0, source_s, 900.0, False),
        QuantityAge(Quantity.PACK_OUTPUT_POWER, "", 0.0, other_s, 90.0, False),
    )
    seen = evidence(
        running_since_ms=START_MS - 300_000, run_source=Quantity.PUMP_POWER, run_s_normal=Spread(20.0, 21.0, 22.0, 120),
        ages=ages,
    )  # fmt: skip
    assert pump_overrun(seen).verdict is said


@pytest.mark.parametrize(
    ("waits", "spread", "minutes_to_floor", "missed"),
    [
        (1.2, 0.05, 6.2, False), (1.4, 0.05, 6.2, True),
        (1.4, 0.3, 6.2, False), (1.8, 0.3, 6.2, True),
        (1.5, 0.12, 26.0, False), (1.7, 0.12, 26.0, True), (1.5, 0.12, 6.2, True),
        (1.4, None, 6.2, False),
    ],
)  # fmt: skip
def test_a_run_is_missed_soon_only_where_runs_come_evenly(
    waits: float, spread: float | None, minutes_to_floor: float, missed: bool
) -> None:
    """Runs every 8 min, sampled each second. By hand: even ones from 1.3 waits; spread 0.3 from 1 + 2.5 x 0.3 = 1.75;
    spread 0.12 from 1 + 5 x 0.12 = 1.6, or 1.39 = halfway to a floor that is wet in 6.2 min.
    """
    assert missed_here(waits, spread, minutes_to_floor) is missed


@pytest.mark.parametrize(
    ("source", "waits", "minutes_to_floor", "missed"),
    [
        ({"sample_s": 0.0}, 1.7, 26.0, False), ({"sample_s": 0.0}, 2.7, 26.0, True),
        ({"sample_s": 0.0}, 1.4, 6.2, True),
        ({"sample_s": 10.0}, 1.7, 26.0, False), ({"sample_s": 10.0}, 1.4, 6.2, True),
        ({"lost_share": 0.001}, 1.7, 26.0, False), ({"lost_share": 0.001}, 1.4, 6.2, False),
        ({"short_share": 0.3}, 1.7, 26.0, False), ({"short_share": 0.3}, 1.4, 6.2, False),
        ({"runs_apart": False}, 1.4, 6.2, False),
    ],
)  # fmt: skip
def test_a_single_run_that_is_not_seen_is_missed_only_where_none_can_be_lost(
    source: dict[str, Any], waits: float, minutes_to_floor: float, missed: bool
) -> None:
    """As above with spread 0.05. A run whose few messages can be lost counts from halfway to the wet floor (26 min:
    1 + 13 / 8 = 2.6 waits); where runs were lost before, or the sampling misses them, one alone never does.
    """
    assert missed_here(waits, 0.05, minutes_to_floor, **source) is missed


@pytest.mark.parametrize(
    ("source", "waits", "missed"),
    [
        ({}, 1.2, False), ({}, 1.4, True), ({"lost_share": 0.01}, 1.4, True), ({"untraced_share": 0.001}, 2.7, False),
        ({"whole_ms": None}, 1.4, False), ({"whole_ms": None}, 2.7, True),
        ({"whole_ms": START_MS - round(0.9 * 8.0 * MINUTE)}, 1.4, True),
        ({"whole_ms": START_MS - round(0.7 * 8.0 * MINUTE)}, 1.4, False),
        ({"whole_ms": START_MS - round(0.7 * 8.0 * MINUTE), "lost_share": 0.01}, 2.7, False),
        ({"heard_s": 0.5 * 480.0}, 1.4, False), ({"sample_s": 6.0}, 1.4, True), ({"sample_s": 9.0}, 1.4, False),
    ],
)  # fmt: skip
def test_a_single_run_counts_as_missed_where_a_loss_would_have_left_a_trace(
    source: dict[str, Any], waits: float, missed: bool
) -> None:
    """As above, the floor wet in 26 min. A source that has reported all that it should since before the run was due
    (0.6 of a wait, 0.8 of it before now) has lost none, however much it lost before, unless it lost runs without a
    trace; it must have been heard since the run was due; and a sampled run of 9 s leaves a sample of every 6 s.
    """
    heard_s = source.pop("heard_s", 30.0)
    ages = (QuantityAge(Quantity.PIT_FLOAT, "", 0.0, heard_s, 900.0, False),)
    told: dict[str, Any] = {"sample_s": 0.0, "whole_ms": 0, "run_source": Quantity.PIT_FLOAT, "ages": ages}
    assert missed_here(waits, 0.05, 26.0, **told | source) is missed


def missed_here(waits: float, spread: float | None, minutes_to_floor: float, **source: Any) -> bool:
    facts: dict[str, Any] = {
        "waits": waits,
        "waiting_since_ms": START_MS - round(waits * 8.0 * MINUTE),
        "runs_apart": True,
        "sample_s": 1.0,
        "run_s_normal": Spread(9.0, 10.0, 11.0, 50),
    }
    water = Water(inflow_l_per_min=3.7, pump_rate_l_per_min=155.0, minutes_to_floor=minutes_to_floor)
    seen = evidence({"water": water}, interval_spread=spread, **facts | source)
    return missed_since_ms(seen) is not None


IN_TURN, PARALLEL = Arrangement.IN_TURN, Arrangement.PARALLEL


@pytest.mark.parametrize(
    ("supply", "how", "left", "right", "said"),
    [
        (PACK, PARALLEL, "carrying", "off", (ON, "one", Priority.HIGH)),
        (PACK, IN_TURN, "off", "carrying", (ON, "one", Priority.HIGH)),
        (MAINS, PARALLEL, "ready", "off", (ON, "one-mains", Priority.MEDIUM)),
        (PACK, PARALLEL, "carrying", "empty", (ON, "one-empty", Priority.MEDIUM)),
        (PACK, IN_TURN, "empty", "carrying", (OFF, "", None)),
        (PACK, PARALLEL, "empty", "empty", (OFF, "", None)),
        (PACK, PARALLEL, "carrying", "silent", (OFF, "", None)),
        (PACK, PARALLEL, "carrying", "carrying", (OFF, "", None)),
    ],
)
def test_one_of_several_packs_that_gives_nothing_is_told_less_loudly(
    supply: Supply, how: Arrangement, left: str, right: str, said: tuple[Verdict, str, Priority | None]
) -> None:
    """While another one carries. That none carries is critical, whatever each of them does; silence is told apart."""
    packs = (PackNow("left", PackRole(left), 50.0), PackNow("right", PackRole(right), 50.0))
    seen = evidence({"packs": packs}, supply=supply, pack_carrying=True, running_since_ms=START_MS)
    found = pack_output_off(replace(seen, site=replace(LARKSPUR, arrangement=how)))
    assert (found.verdict, found.variant, found.priority) == said
    asleep: dict[str, Any] = {"pack_output_w": 0.0, "pack_carrying": False, "overdue": 0.999, "waits": 9.0}
    dead = evidence({"packs": packs}, supply=PACK, waiting_since_ms=START_MS - HOUR, **asleep)
    assert (pack_output_off(dead).variant, pack_output_off(dead).priority) == ("pack", None)


def two_pumps(first: str, second: str, driven_by: Driven = Driven.PACK, *, running: bool = False) -> dict[str, Any]:
    return {
        "pumps": (
            PumpNow("main", PumpRole(first), Driven.PACK, running=False),
            PumpNow("backup", PumpRole(second), driven_by, running=running),
        )
    }


@pytest.mark.parametrize(
    ("first", "second", "driven_by", "said"),
    [
        ("lifts", "waits", Driven.PACK, (OFF, "")),
        ("missing", "lifts", Driven.PACK, (ON, "")),
        ("missing", "lifts", Driven.WATER_PRESSURE, (ON, "water")),
        ("lifts", "beside", Driven.PACK, (ON, "beside")),
        ("lifts", "silent", Driven.PACK, (UNKNOWN, "")),
    ],
)
def test_a_second_pump_that_lifts_tells_of_the_first(
    first: str, second: str, driven_by: Driven, said: tuple[Verdict, str]
) -> None:
    found = second_pump_running(evidence(two_pumps(first, second, driven_by), supply=PACK))
    assert (found.verdict, found.variant) == said
    assert second_pump_running(evidence(supply=PACK)).verdict is OFF
    assert second_pump_running(evidence(two_pumps(first, second, driven_by), silent=True)).verdict is UNKNOWN


def test_a_pit_is_not_dead_while_a_second_pump_runs() -> None:
    late: dict[str, Any] = {"overdue": 0.999, "waits": 9.0, "waiting_since_ms": START_MS - HOUR, "supply": PACK}
    assert pump_silent(evidence(two_pumps("lifts", "waits"), **late)).verdict is ON
    assert pump_silent(evidence(two_pumps("lifts", "waits", running=True), **late)).verdict is OFF
