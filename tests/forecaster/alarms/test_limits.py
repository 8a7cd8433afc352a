"""What each limit of the alarms does, just before it and just beyond it. The limits are the project's own choice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from forecaster.alarms.budget import Budget, gravest, reminder_due
from forecaster.alarms.evidence import AlarmEvidence, Judgement, Outside, RefusedChannel, Verdict, compare, counter_wh
from forecaster.alarms.rules_channels import channel_failing, charge_stands, unheard
from forecaster.alarms.rules_health import (
    check_valve_leaking,
    float_sticking,
    gravest_part,
    pack_fading,
    wear_ahead,
)
from forecaster.alarms.rules_pump import (
    flow_low,
    high_water,
    long_overdue,
    output_is_off,
    pump_overrun,
    pump_power_abnormal,
    pump_silent,
    rapid_cycling,
)
from forecaster.alarms.rules_supply import (
    critical_reserve,
    load_at_rating,
    low_reserve,
    mains_lost,
    pack_not_charging,
    pack_output_off,
    pack_temperature,
    reserve_reached,
)
from forecaster.alarms.rules_watch import clock_suspect, rehearsal_due, telemetry_silent
from forecaster.alarms.table import TABLE, markdown, row_for
from forecaster.domain.alarms import AlarmKind, Priority
from forecaster.domain.forecast import Basis, Quantiles, Water
from forecaster.domain.longrecord import HousePart, PartState, PartTold
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Supply
from forecaster.domain.site import AlarmLimits, Chemistry, Load
from forecaster.domain.status import QuantityAge, Spread
from forecaster.engine.accounts import Accounts, Mark
from tests.forecaster.evidence import DAY, HOUR, LARKSPUR, MINUTE, START_MS, forecast, run, status

ON, OFF, HOLD, UNKNOWN = Verdict.ON, Verdict.OFF, Verdict.HOLD, Verdict.UNKNOWN
MAINS, PACK = Supply.MAINS, Supply.PACK


def seen(ahead: dict[str, Any] | None = None, outside: Outside | None = None, **facts: Any) -> AlarmEvidence:
    """A house at rest on mains, changed in some facts."""
    said = forecast(START_MS, **{"supply": facts.get("supply", MAINS), **(ahead or {})})
    return AlarmEvidence(
        LARKSPUR, AlarmLimits(), status(START_MS, **facts), said, outside or Outside(), START_MS,
        START_MS - 30 * DAY, START_MS - 30 * DAY,
    )  # fmt: skip


def test_the_handbook_has_the_table() -> None:
    """Every limit, delay and priority as the owner reads it."""
    handbook = Path(__file__).parents[3] / "deploy" / "handbook" / "alarms.md"
    assert markdown() in handbook.read_text(encoding="utf-8")


def test_an_owners_limit_takes_the_level_that_clears_with_it() -> None:
    """Low reserve 6 h clears at 6.3 h, at 12 h it clears at 12.6; a temperature of 45 °C at 42, at 30 °C at 28."""
    assert TABLE[AlarmKind.LOW_RESERVE].clear_level == pytest.approx(6.3)
    own = AlarmLimits(low_reserve_h=12.0, critical_reserve_h=4.0, others={AlarmKind.PACK_TEMPERATURE: 30.0})
    assert row_for(AlarmKind.LOW_RESERVE, own).clear_level == pytest.approx(12.6)
    assert row_for(AlarmKind.CRITICAL_RESERVE, own).clear_level == pytest.approx(4.2)
    assert TABLE[AlarmKind.PACK_TEMPERATURE].clear_level == 42.0
    assert row_for(AlarmKind.PACK_TEMPERATURE, own).clear_level == pytest.approx(28.0)
    assert row_for(AlarmKind.RESERVE_REACHED, AlarmLimits()).at(5.0).clear_level == 8.0
    assert TABLE[AlarmKind.HIGH_WATER].at(3.0) is TABLE[AlarmKind.HIGH_WATER]
    assert TABLE[AlarmKind.HIGH_WATER].clear_level is None


@pytest.mark.parametrize(
    ("kind", "value", "said"),
    [
        (AlarmKind.LOW_RESERVE, 5.99, ON), (AlarmKind.LOW_RESERVE, 6.0, HOLD), (AlarmKind.LOW_RESERVE, 6.31, OFF),
        (AlarmKind.PACK_TEMPERATURE, 45.1, ON), (AlarmKind.PACK_TEMPERATURE, 45.0, HOLD),
        (AlarmKind.PACK_TEMPERATURE, 42.0, HOLD), (AlarmKind.PACK_TEMPERATURE, 41.9, OFF),
        (AlarmKind.TELEMETRY_SILENT, 15.0, OFF), (AlarmKind.LOW_RESERVE, None, UNKNOWN),
        (AlarmKind.HIGH_WATER, 1.0, UNKNOWN),
    ],
)  # fmt: skip
def test_between_limit_and_clear_level_an_alarm_stays_as_it_is(
    kind: AlarmKind, value: float | None, said: Verdict
) -> None:
    assert compare(TABLE[kind], value) is said


@pytest.mark.parametrize(
    ("rule", "p10", "rate", "said"),
    [
        (low_reserve, 5.99, -5.0, ON), (low_reserve, 6.31, -5.0, HOLD), (low_reserve, 18.0, -5.0, HOLD),
        (low_reserve, 18.01, -5.0, OFF), (low_reserve, 6.31, 0.0, OFF), (low_reserve, 6.31, 5.0, OFF),
        (low_reserve, 6.31, None, HOLD), (low_reserve, 6.31, -0.5, HOLD), (low_reserve, 6.31, -0.49, OFF),
        (critical_reserve, 2.11, -5.0, HOLD), (critical_reserve, 6.0, -5.0, HOLD), (critical_reserve, 6.01, -5.0, OFF),
        (critical_reserve, 2.11, 0.1, OFF),
    ],
)  # fmt: skip
def test_while_the_charge_falls_a_reserve_is_over_beyond_three_times_its_limit(
    rule: Callable[[AlarmEvidence], Judgement], p10: float, rate: float | None, said: Verdict
) -> None:
    """The limits are 6 and 2 h. A charge that stands or rises keeps the usual deadband; unknown counts as falling."""
    ahead = {"hours_remaining": Quantiles(p05=None, p10=p10, p25=None, p50=p10 + 1.0, p75=None, p90=None, p95=None)}
    assert rule(seen(ahead, supply=PACK, charge_rate_percent_per_h=rate)).verdict is said
    back = seen(ahead, supply=MAINS, charge_rate_percent_per_h=rate)
    assert rule(back).verdict is OFF


def test_a_charge_that_stands_for_two_hours_is_not_used_up_unless_its_gauge_is_stuck() -> None:
    """80 and 79 % at 0 and 10 minutes, by the sun still 79 % two hours later: less than half a percent an hour."""
    accounts = Accounts(reserve_percent=10.0)
    for minute, percent in ((0, 80.0), (10, 79.0), (131, 79.0)):
        accounts.charge(Mark(minute * MINUTE, percent, 0.0, 0, 0.0, 0.0))
    rate = accounts.rate_percent_per_h(131 * MINUTE)
    ahead = {"hours_remaining": Quantiles(p05=None, p10=6.31, p25=None, p50=9.0, p75=None, p90=None, p95=None)}
    for stuck, said in (((), OFF), ((Quantity.PACK_CHARGE,), HOLD)):
        assert low_reserve(seen(ahead, supply=PACK, charge_rate_percent_per_h=rate, frozen=stuck)).verdict is said


@pytest.mark.parametrize(
    ("facts", "said", "since_ms"),
    [
        ({"high_water": None}, UNKNOWN, None),
        ({"high_water": True}, ON, None),
        ({"high_water": False}, OFF, None),
        ({"high_water": False, "silent": True}, UNKNOWN, None),
        ({"high_water": False, "high_water_was_ms": (START_MS - 30_000, START_MS - 20_000)}, ON, START_MS - 30_000),
        ({"high_water": False, "high_water_was_ms": (START_MS - 30_000, START_MS - 20_001)}, OFF, None),
    ],
)
def test_a_float_that_was_up_for_ten_seconds_was_up(facts: dict[str, Any], said: Verdict, since_ms: int | None) -> None:
    found = high_water(seen(**facts))
    assert (found.verdict, found.since_ms) == (said, since_ms)


@pytest.mark.parametrize(
    ("p50_s", "sample_s", "lasted_s", "said"),
    [
        (10.0, 12.0, 479, HOLD), (10.0, 12.0, 481, ON),  # forty samples of 12 s
        (10.0, 10.0, 121, ON),  # a run that leaves a sample each does not merge
    ],
)  # fmt: skip
def test_runs_that_merge_in_coarse_samples_are_not_one_long_run(
    p50_s: float, sample_s: float, lasted_s: float, said: Verdict
) -> None:
    facts: dict[str, Any] = {
        "run_s_normal": Spread(9.0, p50_s, 11.0, 50),
        "sample_s": sample_s,
        "running_since_ms": START_MS - round(lasted_s * 1000),
    }
    assert pump_overrun(seen(**facts)).verdict is said


@pytest.mark.parametrize(("age_s", "said"), [(150.0, ON), (150.1, UNKNOWN)])
def test_a_run_must_have_been_reported_in_its_later_half(age_s: float, said: Verdict) -> None:
    ages = (QuantityAge(Quantity.PUMP_POWER, "", 470.0, age_s, 900.0, False),)
    facts: dict[str, Any] = {"run_s_normal": Spread(9.0, 10.0, 11.0, 50), "running_since_ms": START_MS - 300_000}
    assert pump_overrun(seen(ages=ages, run_source=Quantity.PUMP_POWER, **facts)).verdict is said


def waiting(waits: float, **facts: Any) -> AlarmEvidence:
    """Runs every 10 min, the last one so many waits ago."""
    late: dict[str, Any] = {"overdue": 0.999, "waits": waits, "waiting_since_ms": START_MS - round(waits * 10 * MINUTE)}
    return seen(**late | {"supply": PACK} | facts)


@pytest.mark.parametrize(
    ("waits", "facts", "silent"),
    [
        (2.19, {}, False), (2.2, {}, True),
        (3.0, {"overdue": 0.99}, False), (3.0, {"overdue": 0.991}, True), (3.0, {"overdue": None}, False),
        (3.1, {"runs_apart": True, "short_share": 0.9}, False), (3.2, {"runs_apart": True, "short_share": 0.9}, True),
        (3.1, {"runs_apart": False, "short_share": 0.9}, True),
    ],
)  # fmt: skip
def test_a_pump_is_silent_after_more_than_two_waits(waits: float, facts: dict[str, Any], silent: bool) -> None:
    """After 2.2 waits; after 3.2 where the sampling misses many runs by chance."""
    found = waiting(waits, **facts)
    assert long_overdue(found) is silent
    assert (pump_silent(found).verdict is ON) is silent


@pytest.mark.parametrize(("heard_waits", "silent"), [(1.49, False), (1.51, True)])
def test_it_must_have_been_heard_for_one_and_a_half_waits(heard_waits: float, silent: bool) -> None:
    found = replace(waiting(4.0), heard_ms=START_MS - round(heard_waits * 10 * MINUTE))
    assert long_overdue(found) is silent


def test_who_should_carry_a_silent_pump_is_told() -> None:
    assert pump_silent(waiting(4.0)).variant == "pack"
    assert pump_silent(waiting(4.0, supply=MAINS)).variant == "mains"
    assert pump_silent(waiting(4.0, supply=MAINS, supply_inferred=True)).variant == "pack"
    assert pump_silent(waiting(4.0, running_since_ms=START_MS)).verdict is OFF
    assert pump_silent(waiting(4.0, clock_suspect="it stands")).verdict is UNKNOWN


@pytest.mark.parametrize(("now_wh", "said"), [(101.5, ON), (101.6, UNKNOWN)])
def test_a_counter_that_rose_by_more_than_a_run_has_seen_one(now_wh: float, said: Verdict) -> None:
    """One and a half runs of 1 Wh since the last one seen: the counter may tell of that one late."""
    last = replace(run(START_MS - 40 * MINUTE), energy_wh=1.0)
    ages = (QuantityAge(Quantity.PUMP_ENERGY, "", now_wh, 5.0, 900.0, False),)
    found = replace(waiting(4.0, last_run=last, ages=ages), run_counter_wh=100.0)
    found = replace(found, status=replace(found.status, waiting_since_ms=last.start_ms))
    assert pump_silent(found).verdict is said
    assert counter_wh(found.status) == now_wh
    quiet = replace(found.status, ages=(replace(ages[0], silent=True),))
    assert counter_wh(quiet) is None


@pytest.mark.parametrize(
    ("output_w", "load_w", "off"), [(1.9, 2.1, True), (2.0, 2.1, False), (1.9, 2.0, False), (None, 9.0, False)]
)
def test_an_output_below_two_watts_is_off_where_a_load_always_draws_more(
    output_w: float | None, load_w: float, off: bool
) -> None:
    found = seen(pack_output_w=output_w, pack_carrying=None)
    loads = (Load("router", load_w), Load("freezer", 100.0, runs_per_hour=2.0, run_s=600.0))
    assert output_is_off(replace(found, site=replace(LARKSPUR, loads=loads))) is off
    assert not output_is_off(replace(found, site=replace(LARKSPUR, loads=loads[1:]))), "a freezer may rest"
    rests = replace(found, status=replace(found.status, output_rests=True), site=replace(LARKSPUR, loads=loads))
    assert not output_is_off(rests), "one that is listed without its rests has shown them"


def test_a_pack_that_carries_nothing_when_a_run_is_long_overdue_is_off() -> None:
    assert output_is_off(waiting(4.0, pack_carrying=False))
    assert output_is_off(waiting(4.0, pack_carrying=None, pack_output_w=1.0))
    assert not output_is_off(waiting(4.0, pack_carrying=True))
    assert not output_is_off(waiting(1.0, pack_carrying=False))


@pytest.mark.parametrize(("charge", "said"), [(1.0, HOLD), (1.1, ON)])
def test_an_empty_pack_carries_nothing_and_that_was_told(charge: float, said: Verdict) -> None:
    assert pack_output_off(waiting(4.0, pack_carrying=False, charge_percent=charge)).verdict is said
    on_mains = waiting(4.0, pack_carrying=False, charge_percent=charge, supply=MAINS)
    assert (pack_output_off(on_mains).verdict, pack_output_off(on_mains).variant) == (ON, "mains")


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"pack_carrying": True}, OFF), ({"pack_carrying": None, "pack_output_w": 2.0}, OFF),
        ({"pack_carrying": None, "pack_output_w": None}, UNKNOWN),
        ({"pack_carrying": None, "running_since_ms": START_MS}, OFF),
    ],
)  # fmt: skip
def test_an_output_is_on_where_it_carries_or_the_pump_runs(facts: dict[str, Any], said: Verdict) -> None:
    assert pack_output_off(seen(**facts)).verdict is said


NORMAL = Spread(2.0, 8.0, 20.0, 300)
"""At most 20 starts in the busiest hours."""

FEW = Spread(0.1, 0.4, 0.5, 300)


@pytest.mark.parametrize(
    ("facts", "said", "variant"),
    [
        ({"cycles_last_hour": 61}, ON, ""), ({"cycles_last_hour": 60}, HOLD, ""),  # three times
        ({"cycles_last_hour": 40}, HOLD, ""), ({"cycles_last_hour": 39}, OFF, ""),  # twice
        ({"cycles_last_hour": 61, "cycles_per_hour_lately": 67.7}, ON, ""),
        ({"cycles_last_hour": 61, "cycles_per_hour_lately": 67.8}, HOLD, ""),  # grown fewer than nine tenths
        ({"cycles_last_hour": 61, "cycles_per_hour_lately": None}, HOLD, ""),
        ({"cycles_last_hour": 61, "cycles_per_hour_normal": replace(NORMAL, count=47)}, HOLD, ""),
        ({"cycles_last_hour": 61, "cycles_per_hour_normal": replace(NORMAL, count=48)}, ON, ""),
        ({"cycles_last_hour": 27, "dry_run_s_recent": 5.9}, ON, "short"),  # 1.3 times, of runs below 0.6 of the usual
        ({"cycles_last_hour": 26, "dry_run_s_recent": 5.9}, HOLD, "short"),
        ({"cycles_last_hour": 27, "dry_run_s_recent": 6.0}, OFF, ""),
        ({"cycles_last_hour": 27, "dry_run_s_recent": 5.9, "dry_run_s_normal": Spread(9, 10, 11, 19)}, OFF, ""),
        ({"cycles_last_hour": 27, "dry_run_s_recent": 5.9, "dry_run_s_normal": Spread(9, 10, 11, 20)}, ON, "short"),
        ({"cycles_last_hour": 12, "cycles_per_hour_lately": 9.0, "cycles_per_hour_normal": FEW}, ON, ""),
        ({"cycles_last_hour": 11, "cycles_per_hour_lately": 9.0, "cycles_per_hour_normal": FEW}, HOLD, ""),
    ],
)  # fmt: skip
def test_how_many_starts_are_rapid(facts: dict[str, Any], said: Verdict, variant: str) -> None:
    usual: dict[str, Any] = {
        "cycles_per_hour_normal": NORMAL, "cycles_per_hour_lately": 50.0, "dry_run_s_normal": Spread(9, 10, 11, 400),
        "dry_run_s_recent": 10.0,
    }  # fmt: skip
    found = rapid_cycling(seen(**usual | facts))
    assert found.verdict is said
    assert found.variant == variant or said is HOLD
    if found.verdict is ON and not variant:
        assert found.on_delay_s == 48 * 3600.0, "longer than a storm's peak"


@pytest.mark.parametrize(("share", "said"), [(0.74, ON), (0.76, HOLD), (0.84, HOLD), (0.86, OFF), (None, UNKNOWN)])
def test_a_quarter_less_water_is_a_low_flow(share: float | None, said: Verdict) -> None:
    found = flow_low(seen(flow_share=share, runs_apart=True))
    assert found.verdict is said
    assert found.run == (None if said is UNKNOWN else START_MS - 120_000)
    assert flow_low(seen(flow_share=share, runs_apart=False)).verdict is UNKNOWN


@pytest.mark.parametrize(
    ("power_w", "spread", "said", "variant"),
    [
        (565, Spread(460, 470, 480, 400), ON, "high"), (563, Spread(460, 470, 480, 400), HOLD, "high"),
        (375, Spread(460, 470, 480, 400), ON, "low"), (415, Spread(460, 470, 480, 400), OFF, "low"),
        (413, Spread(460, 470, 480, 400), HOLD, "low"),
        (565, Spread(420, 470, 520, 400), HOLD, ""), (577, Spread(420, 470, 520, 400), ON, "high"),  # own spread 21.3 %
        (565, Spread(460, 470, 480, 19), UNKNOWN, ""), (565, Spread(460, 470, 480, 20), ON, "high"),
    ],
)  # fmt: skip
def test_a_power_a_fifth_away_from_the_usual(power_w: float, spread: Spread, said: Verdict, variant: str) -> None:
    """470 W and more than 20 % of it, and more than its own spread; it clears within 12 %."""
    found = pump_power_abnormal(seen(last_run=run(START_MS - MINUTE, power_w=power_w), running_w_normal=spread))
    assert (found.verdict, found.variant) == (said, variant)
    clipped = run(START_MS - MINUTE, power_w=power_w, clipped=True)
    if said is not UNKNOWN:
        assert pump_power_abnormal(seen(last_run=clipped, running_w_normal=spread)).verdict is HOLD


def test_a_loss_that_is_inferred_waits_three_minutes_longer() -> None:
    assert mains_lost(seen(supply=PACK)).on_delay_s is None
    assert mains_lost(seen(supply=PACK, supply_inferred=True)).on_delay_s == 180.0
    assert mains_lost(seen(supply=PACK, supply_returning=True)).verdict is HOLD
    ahead: dict[str, Any] = {"hours_remaining": Quantiles(p10=1.0, p50=2.0)}
    assert low_reserve(seen(ahead, supply=PACK)).on_delay_s == 120.0
    assert low_reserve(seen(ahead, supply=PACK, supply_inferred=True)).on_delay_s == 300.0
    heard = (QuantityAge(Quantity.MAINS_PRESENT, "", 0.0, 5.0, 900.0, False),)
    blind: dict[str, Any] = {"basis": Basis.PROJECTED}
    assert mains_lost(seen(blind, supply=PACK)).verdict is UNKNOWN
    assert mains_lost(seen(blind, supply=PACK, ages=heard)).verdict is ON
    assert mains_lost(seen(blind, Outside(trouble="full"), supply=PACK, ages=heard)).verdict is UNKNOWN


@pytest.mark.parametrize(("never", "said"), [(0.9, OFF), (0.89, UNKNOWN)])
def test_an_end_that_most_likely_never_comes_is_no_low_reserve(never: float, said: Verdict) -> None:
    ahead: dict[str, Any] = {"hours_remaining": Quantiles(), "never_probability": never}
    assert low_reserve(seen(ahead, supply=PACK)).verdict is said


@pytest.mark.parametrize(("charge", "said"), [(10.0, ON), (10.1, HOLD), (13.0, HOLD), (13.1, OFF)])
def test_the_floor_is_left_three_per_cent_above_it(charge: float, said: Verdict) -> None:
    """The reserve is 10 %."""
    assert reserve_reached(seen(supply=PACK, charge_percent=charge)).verdict is said


@pytest.mark.parametrize(("p50", "said"), [(0.25, HOLD), (0.26, OFF)])
def test_on_mains_a_quarter_of_an_hour_clears_a_floor_without_a_gauge(p50: float, said: Verdict) -> None:
    ahead: dict[str, Any] = {"hours_remaining": Quantiles(p50=p50), "charge_percent": None}
    assert reserve_reached(seen(ahead, charge_percent=None)).verdict is said


@pytest.mark.parametrize(
    ("facts", "rest", "said"),
    [
        ({"charge_percent": 89.9}, None, ON), ({"charge_percent": 90.0}, None, HOLD),
        ({"charge_percent": 92.1}, None, OFF),
        ({"charge_rate_percent_per_h": 0.5}, None, OFF), ({"charge_rate_percent_per_h": 0.49}, None, ON),
        ({"supply_since_ms": START_MS - 15 * MINUTE + 1}, None, UNKNOWN),
        ({"supply_since_ms": START_MS - 15 * MINUTE}, None, ON),
        ({"charge_rate_percent_per_h": None, "charge_stood_s": 3599.0}, None, UNKNOWN),
        ({"charge_rate_percent_per_h": None, "charge_stood_s": 3600.0}, None, ON),
        ({"charge_percent": 78.0}, 80.0, OFF), ({"charge_percent": 77.9}, 80.0, ON),
        ({"charge_percent": 74.0}, 75.0, OFF), ({"charge_percent": 74.0}, 74.9, ON),
    ],
)  # fmt: skip
def test_when_a_pack_counts_as_not_charging(facts: dict[str, Any], rest: float | None, said: Verdict) -> None:
    found = seen(**{"charge_percent": 60.0, "charge_rate_percent_per_h": 0.0} | facts)
    assert pack_not_charging(replace(found, rest_percent=rest)).verdict is said


@pytest.mark.parametrize(
    ("celsius", "chemistry", "said", "variant"),
    [
        (-0.1, Chemistry.LITHIUM, ON, "cold"), (0.0, Chemistry.LITHIUM, HOLD, ""), (1.9, Chemistry.LITHIUM, HOLD, ""),
        (2.0, Chemistry.LITHIUM, OFF, ""), (-5.0, Chemistry.AGM, OFF, ""), (45.1, Chemistry.LITHIUM, ON, ""),
        (None, Chemistry.LITHIUM, UNKNOWN, ""),
    ],
)  # fmt: skip
def test_lithium_is_not_charged_in_the_cold(
    celsius: float | None, chemistry: Chemistry, said: Verdict, variant: str
) -> None:
    """Common practice, no source."""
    site = replace(LARKSPUR, pack=replace(LARKSPUR.pack, chemistry=chemistry))
    found = pack_temperature(replace(seen(pack_temperature_c=celsius), site=site))
    assert (found.verdict, found.variant) == (said, variant)


def test_a_power_that_sits_at_the_rating_is_told_by_the_run_that_shows_it() -> None:
    now = load_at_rating(seen(power_pinned=True, running_since_ms=START_MS - 5000))
    assert now == Judgement(ON, run=START_MS - 5000)
    last = run(START_MS - MINUTE, clipped=True)
    assert load_at_rating(seen(last_run=last)) == Judgement(ON, run=START_MS - MINUTE)
    assert load_at_rating(seen(power_pinned=True)).verdict is OFF
    assert load_at_rating(seen(last_run=None)).verdict is OFF
    assert load_at_rating(seen(last_run=None, supply=PACK)).verdict is UNKNOWN


@pytest.mark.parametrize(
    ("supply", "age_min", "said"), [(MAINS, 14.9, HOLD), (MAINS, 15.0, ON), (PACK, 9.9, HOLD), (PACK, 10.0, ON)]
)
def test_silence_is_told_after_a_quarter_of_an_hour_and_sooner_on_the_pack(
    supply: Supply, age_min: float, said: Verdict
) -> None:
    found = telemetry_silent(seen(supply=supply, silent=True, data_age_s=60 * age_min))
    assert found.verdict is said


@pytest.mark.parametrize(("empty_h", "variant"), [(0.1, "empty"), (0.11, "pack"), (None, "pack")])
def test_a_silent_house_whose_pack_must_be_empty_by_now(empty_h: float | None, variant: str) -> None:
    ahead: dict[str, Any] = {"hours_to_empty": Quantiles(p50=empty_h)}
    assert telemetry_silent(seen(ahead, supply=PACK, silent=True, data_age_s=3600.0)).variant == variant


def test_a_house_that_was_never_heard_and_one_that_is_partly_silent() -> None:
    never = seen(silent=True, data_age_s=None)
    assert telemetry_silent(never).variant == "never"
    assert telemetry_silent(replace(never, first_ms=START_MS - 15 * MINUTE + 1)).verdict is HOLD
    assert telemetry_silent(replace(never, first_ms=START_MS - 15 * MINUTE)).verdict is ON
    for age_s, said in ((1800.0, OFF), (1800.1, ON)):
        ages = (QuantityAge(Quantity.PUMP_POWER, "", 0.0, age_s, 900.0, True),)
        assert telemetry_silent(seen(ages=ages)).verdict is said, "twice the limit"
        assert telemetry_silent(seen(ages=(replace(ages[0], quantity=Quantity.PIT_FLOAT),))).verdict is OFF
    assert telemetry_silent(seen(frozen=(Quantity.PUMP_POWER,))).on_delay_s == 1800.0
    assert telemetry_silent(seen(outside=Outside(broker="away"))).on_delay_s == 300.0
    assert telemetry_silent(seen(clock_suspect="it stands", silent=True)).verdict is UNKNOWN
    assert clock_suspect(seen(clock_suspect="it stands")).verdict is ON
    assert clock_suspect(seen()).verdict is OFF


@pytest.mark.parametrize(
    ("last_days", "first_days", "said", "variant"),
    [(365, 400, OFF, ""), (366, 400, ON, ""), (None, 45, OFF, ""), (None, 46, ON, "first")],
)
def test_a_rehearsal_is_due_after_a_year_and_the_first_after_six_weeks(
    last_days: int | None, first_days: int, said: Verdict, variant: str
) -> None:
    found = seen(last_test_ms=None if last_days is None else START_MS - last_days * DAY)
    found = replace(found, first_ms=START_MS - first_days * DAY)
    assert (rehearsal_due(found).verdict, rehearsal_due(found).variant) == (said, variant)


@pytest.mark.parametrize(
    ("quantity", "hours", "told"),
    [
        (Quantity.PUMP_POWER, 1, False), (Quantity.PUMP_POWER, 1.01, True),
        (Quantity.HIGH_WATER, 24, False), (Quantity.HIGH_WATER, 24.01, True), (Quantity.MAINS_PRESENT, 2, False),
        (Quantity.PIT_FLOAT, 2, False), (Quantity.PUMP_RUNNING, 2, False),
        (Quantity.RAIN_DEPTH, 14 * 24, False), (Quantity.RAIN_RATE, 14 * 24 + 0.01, True),
    ],
)  # fmt: skip
def test_for_how_long_a_channel_may_be_unheard(quantity: Quantity, hours: float, told: bool) -> None:
    ages = (QuantityAge(quantity, "", None, None, 900.0, False),)
    found = replace(seen(ages=ages), asked_ms={quantity.value: START_MS - round(hours * HOUR)})
    assert bool(unheard(found)) is told
    assert channel_failing(found).variant == ("never" if told else "")
    load = replace(ages[0], quantity=Quantity.LOAD_POWER, subject="router")
    other = replace(seen(ages=(load,)), asked_ms={"load_power:router": START_MS - 2 * HOUR})
    assert [age.subject for age in unheard(other)] == ["router"]


@pytest.mark.parametrize(
    ("facts", "stands"),
    [
        ({}, True), ({"charge_stood_s": 12 * 3600.0 - 1}, False), ({"charge_percent": 75.0}, False),
        ({"charge_rate_percent_per_h": 0.1}, False), ({"supply": PACK}, False), ({"charge_percent": None}, False),
    ],
)  # fmt: skip
def test_a_partial_charge_that_never_moved_in_half_a_day_is_stuck(facts: dict[str, Any], stands: bool) -> None:
    stuck: dict[str, Any] = {
        "charge_percent": 74.9, "charge_rate_percent_per_h": None, "charge_stood_s": 12 * 3600.0,
    }  # fmt: skip
    assert charge_stands(seen(**stuck | facts)) is stands
    refused = Outside(refused=(RefusedChannel("cellar/plug", "it is text"),))
    assert channel_failing(seen(outside=refused)).variant == "refused"
    assert channel_failing(seen(data_age_s=None)).verdict is UNKNOWN


RULES = {
    AlarmKind.WEAR_AHEAD: (wear_ahead, HousePart.PUMP_FLOW),
    AlarmKind.PACK_FADING: (pack_fading, HousePart.PACK_CAPACITY),
    AlarmKind.CHECK_VALVE_LEAKING: (check_valve_leaking, HousePart.CHECK_VALVE),
    AlarmKind.FLOAT_STICKING: (float_sticking, HousePart.FLOAT),
}


@pytest.mark.parametrize("kind", RULES)
@pytest.mark.parametrize(
    ("state", "raised_days", "said", "priority"),
    [
        (PartState.UNKNOWN, None, UNKNOWN, None), (PartState.GOOD, None, OFF, None),
        (PartState.WATCH, None, ON, Priority.LOW), (PartState.ACT, None, ON, Priority.MEDIUM),
        (PartState.WATCH, 29, HOLD, None), (PartState.WATCH, 30, ON, Priority.LOW),
    ],
)  # fmt: skip
def test_a_part_is_told_once_a_month(
    kind: AlarmKind, state: PartState, raised_days: int | None, said: Verdict, priority: Priority | None
) -> None:
    rule, part = RULES[kind]
    told = PartTold(part, state, "", "", None)
    found = seen(outside=Outside(parts=(told,)))
    raised = {} if raised_days is None else {kind: START_MS - raised_days * DAY}
    assert (rule(replace(found, raised_ms=raised)).verdict, rule(replace(found, raised_ms=raised)).priority) == (
        said,
        priority,
    )
    assert gravest_part(kind, seen()) is None


def test_of_parts_as_grave_the_first_speaks_and_of_others_the_graver() -> None:
    line = PartTold(HousePart.DISCHARGE_LINE, PartState.WATCH, "", "", None)
    flow = PartTold(HousePart.PUMP_FLOW, PartState.WATCH, "", "", None)
    found = seen(outside=Outside(parts=(flow, line)))
    assert gravest_part(AlarmKind.WEAR_AHEAD, found) == line
    worse = seen(outside=Outside(parts=(line, replace(flow, state=PartState.ACT))))
    assert wear_ahead(worse).variant == HousePart.PUMP_FLOW.value


def test_when_a_run_was_due_and_the_floor_will_be_wet() -> None:
    """20 min waited are 2.5 usual waits of 8 min: it was due 12 min ago; the floor is wet 26 min after that."""
    late = seen(
        {"water": Water(inflow_l_per_min=3.7, pump_rate_l_per_min=155.0, minutes_to_floor=26.0)},
        waits=2.5,
        waiting_since_ms=START_MS - 20 * MINUTE,
    )
    assert (late.due_ms, late.wet_ms) == (START_MS - 12 * MINUTE, START_MS + 14 * MINUTE)
    assert seen(waits=None).due_ms is None
    assert replace(late, status=replace(late.status, running_since_ms=START_MS)).due_ms is None


@pytest.mark.parametrize(
    ("priority", "told", "owed", "may"),
    [
        (Priority.LOW, 5, 0, True), (Priority.LOW, 6, 0, False), (Priority.LOW, 3, 3, False),
        (Priority.MEDIUM, 6, 0, True), (Priority.MEDIUM, 7, 0, False), (Priority.MEDIUM, 4, 3, False),
        (Priority.HIGH, 7, 9, True), (Priority.HIGH, 8, 0, False),
        (Priority.CRITICAL, 9, 9, True), (Priority.CRITICAL, 10, 0, False),
    ],
)  # fmt: skip
def test_how_many_messages_a_day_leave_room_for_another(priority: Priority, told: int, owed: int, may: bool) -> None:
    """Six of the usual kind, one more for a medium alarm, two for a high one, ten in all (ANSI/ISA-18.2 limits what an
    operator can handle; these numbers are this project's own).
    """
    budget = Budget([START_MS] * told)
    assert budget.may_raise(priority, owed, START_MS) is may
    assert budget.may_clear(START_MS) is (told < 8)
    assert budget.may_repeat(owed, START_MS) is (told + owed < 6)


def test_a_message_counts_for_a_day() -> None:
    budget = Budget([START_MS, START_MS + HOUR])
    assert budget.count(START_MS + DAY - 1) == 2
    assert budget.count(START_MS + DAY) == 1
    budget.spend(START_MS + DAY)
    assert budget.told_ms == [START_MS + HOUR, START_MS + DAY]


@pytest.mark.parametrize(
    ("priority", "minutes"), [(Priority.CRITICAL, 30), (Priority.HIGH, 120), (Priority.MEDIUM, 1440)]
)
def test_reminders_wait_twice_as_long_each_time(priority: Priority, minutes: int) -> None:
    for reminders, times in ((0, 1), (1, 2), (2, 4)):
        wait_ms = minutes * times * MINUTE
        assert not reminder_due(priority, START_MS, reminders, START_MS + wait_ms - 1)
        assert reminder_due(priority, START_MS, reminders, START_MS + wait_ms)
    assert not reminder_due(Priority.LOW, START_MS, 0, START_MS + 99 * DAY)
    assert gravest([Priority.LOW, priority]) is priority
    assert gravest([]) is Priority.LOW
