"""The manager: delays and deadbands, states, one group an outage, few messages."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from forecaster.alarms import AlarmManager, Outside, RefusedChannel
from forecaster.alarms.evidence import Judgement, Verdict, compare
from forecaster.alarms.gate import Gate
from forecaster.alarms.table import TABLE, row_for
from forecaster.domain.alarms import AlarmKind, AlarmState, Priority, TransitionKind
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.errors import NotFound, SnapshotError, UsageError
from forecaster.domain.forecast import Quantiles
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Supply
from forecaster.domain.site import AlarmLimits
from forecaster.domain.status import QuantityAge, Spread
from forecaster.texts.catalogue import Said
from tests.forecaster.evidence import DAY, HOUR, LARKSPUR, MINUTE, START_MS, House, forecast, hours, run, status


def on_pack(house: House) -> dict[str, Any]:
    return {"supply": Supply.PACK, "supply_since_ms": house.now_ms, "charge_percent": 80.0}


def p10(value: float) -> Quantiles:
    return Quantiles(p05=value * 0.95, p10=value, p25=value * 1.1, p50=value * 1.2, p75=value * 1.3, p90=value * 1.4)


# -- delays and deadbands


def test_a_value_that_hovers_at_its_limit_raises_once_and_clears_once() -> None:
    """Enter below 4 h, clear above 4.2 h: 4.1, 3.9, 4.1, 3.95, 4.3 is one raise and one clear (computed)."""
    house = House(AlarmLimits(low_reserve_h=4.0, critical_reserve_h=0.1))
    since = house.now_ms
    for value in (4.1, 3.9, 4.1, 3.95, 4.3):
        house.hold(40, p10(value), supply=Supply.PACK, supply_since_ms=since, charge_percent=80.0)
    kinds = [(item.alarm.kind, item.kind) for item in house.said if item.alarm.kind is AlarmKind.LOW_RESERVE]
    changes = [kind for _, kind in kinds if kind in (TransitionKind.RAISED, TransitionKind.CLEARED)]
    assert changes == [TransitionKind.RAISED, TransitionKind.CLEARED]


def test_a_reserve_that_was_told_is_not_taken_back_by_a_kinder_estimate_while_the_charge_falls() -> None:
    """As in the zoo: critical at 1.8 h, 3.9 h for two hours, 1.9 h again. One raise; people hear that the end moved."""
    house = House()
    falls: dict[str, Any] = {**on_pack(house), "charge_rate_percent_per_h": -9.0}
    house.hold(20, p10(1.8), **falls)
    critical = next(one for one in house.manager.alarms() if one.kind is AlarmKind.CRITICAL_RESERVE)
    house.said += house.manager.acknowledge(critical.id, "owner", house.now_ms)
    house.hold(150, p10(3.9), **falls)
    house.hold(20, p10(1.9), **falls)
    assert house.kinds().count(AlarmKind.CRITICAL_RESERVE) == 1
    assert TransitionKind.CLEARED not in [item.kind for item in house.said]
    assert [item.kind for item in house.told()].count(TransitionKind.UPDATED) == 1


def test_a_reserve_whose_water_receded_is_over_though_the_charge_falls() -> None:
    """Just beyond three times 2 h for the off-delay of 20 min; a little less never ends it."""
    house = House()
    falls: dict[str, Any] = {**on_pack(house), "charge_rate_percent_per_h": -0.5}
    house.hold(20, p10(1.8), **falls)
    house.hold(120, p10(5.9), **falls)
    assert house.kinds(TransitionKind.CLEARED) == []
    house.hold(19, p10(6.1), **falls)
    assert house.kinds(TransitionKind.CLEARED) == []
    house.hold(2, p10(6.1), **falls)
    assert house.kinds(TransitionKind.CLEARED) == [AlarmKind.CRITICAL_RESERVE]


def test_a_reserve_stays_while_gauge_and_energy_contradict_each_other() -> None:
    """As a house with a listed heater that was not there: 3.5 h, then 22 h, while the charge is doubted. Once it no
    longer is, the off-delay of 30 min ends the alarm."""
    house = House()
    falls: dict[str, Any] = {**on_pack(house), "charge_rate_percent_per_h": -3.0}
    house.degraded = (Said("degraded.charge-doubted"),)
    house.hold(10, p10(3.5), **falls)
    house.hold(120, p10(22.0), **falls)
    assert house.kinds(TransitionKind.CLEARED) == []
    house.degraded = ()
    house.hold(31, p10(22.0), **falls)
    assert house.kinds(TransitionKind.CLEARED) == [AlarmKind.LOW_RESERVE]


@pytest.mark.parametrize("pattern", ["on-delay", "off-delay", "deadband"])
def test_delays_behave_as_in_opc_10000_9_b_1_5(pattern: str) -> None:
    """OPC 10000-9 B.1.5: a spike shorter than the on-delay is no alarm; noise within the deadband leaves an active
    alarm active; an alarm stays active while its value is back for less than the off-delay."""
    row = TABLE[AlarmKind.PACK_TEMPERATURE]  # above 45, clears below 42, on-delay 5 min, off-delay 15 min
    gate = Gate()

    def walk(values: list[float]) -> list[bool]:
        seen = []
        for minute, value in enumerate(values):
            gate.step(Judgement(compare(row, value)), row, START_MS + (walk_from[0] + minute) * MINUTE)
            seen.append(gate.active)
        walk_from[0] += len(values)
        return seen

    walk_from = [0]
    if pattern == "on-delay":
        assert not any(walk([40.0, 50.0, 50.0, 50.0, 44.0, 50.0, 50.0, 50.0, 40.0]))
        return
    assert walk([50.0] * 6)[-1]
    if pattern == "deadband":
        assert all(walk([44.0, 46.0, 42.5, 45.5] * 20))
        return
    assert all(walk([40.0] * 14 + [43.0] + [40.0] * 14))
    assert walk([40.0] * 3)[-1] is False


def test_unknown_time_does_not_count() -> None:
    row = TABLE[AlarmKind.PACK_TEMPERATURE]
    gate = Gate()
    on, unknown = Judgement(Verdict.ON), Judgement(Verdict.UNKNOWN)
    gate.step(on, row, START_MS)
    gate.step(unknown, row, START_MS + 10 * MINUTE)
    gate.step(on, row, START_MS + 10 * MINUTE + 1)
    assert not gate.active
    gate.step(on, row, START_MS + 15 * MINUTE + 1)
    assert gate.active


def test_a_clock_that_jumps_does_not_fill_a_dwell() -> None:
    row = TABLE[AlarmKind.PACK_NOT_CHARGING]
    gate = Gate()
    gate.step(Judgement(Verdict.ON), row, START_MS)
    gate.step(Judgement(Verdict.ON), row, START_MS + 14 * DAY)
    assert not gate.active
    gate.step(Judgement(Verdict.ON), row, START_MS - 14 * DAY)
    assert not gate.active


def test_the_owners_limit_moves_the_level_that_clears_with_it() -> None:
    row = row_for(AlarmKind.LOW_RESERVE, AlarmLimits(low_reserve_h=4.0))
    assert row.limit == 4.0
    assert row.clear_level == pytest.approx(4.2)


# -- the pump


def test_many_starts_of_usual_runs_are_a_storm_until_they_last() -> None:
    """A leaking check valve starts the pump as a storm does; a storm passes."""
    house = House(stride_s=300.0)
    house.hold(47 * 60, cycles_last_hour=80)
    house.hold(60)
    assert house.kinds() == []
    house.hold(49 * 60, cycles_last_hour=80)
    assert house.kinds() == [AlarmKind.RAPID_CYCLING]
    young = House(stride_s=300.0)
    young.hold(49 * 60, cycles_last_hour=80, cycles_per_hour_normal=Spread(2.0, 8.0, 21.0, 40))
    assert young.kinds() == []


def test_starts_that_grow_fewer_are_a_storm_that_recedes_however_long_it_takes() -> None:
    house = House(stride_s=300.0)
    for starts in range(120, 40, -1):
        house.hold(60, cycles_last_hour=starts, cycles_per_hour_lately=starts + 20.0)
    assert house.kinds() == []


def test_many_starts_of_short_runs_are_told_soon() -> None:
    house = House()
    for minute in range(30):
        house.hold(1, cycles_last_hour=40, dry_run_s_recent=4.0, last_run=run(START_MS + minute * MINUTE, run_s=4.0))
    assert house.kinds() == [AlarmKind.RAPID_CYCLING]


def test_one_run_that_looks_short_in_a_storm_is_no_chatter() -> None:
    """Sampled every ten seconds a run of 25 s reads 20 or 30 s; only the newest together tell of short ones."""
    house = House()
    house.hold(10 * 60, cycles_last_hour=70)
    house.hold(30, cycles_last_hour=70, last_run=run(house.now_ms, run_s=4.0))
    assert house.kinds() == []


# -- the pack on mains


@pytest.mark.parametrize(("rested", "kinds"), [(80.0, []), (100.0, [AlarmKind.PACK_NOT_CHARGING])])
def test_a_pack_that_rests_where_it_rested_before_charges_as_it_is_meant_to(
    rested: float, kinds: list[AlarmKind]
) -> None:
    house = House(stride_s=300.0)
    house.hold(24 * 60, charge_percent=rested, charge_rate_percent_per_h=0.0)
    house.hold(4 * 60, charge_percent=79.0, charge_rate_percent_per_h=0.0)
    assert house.kinds() == kinds


def test_a_pack_that_never_charged_is_told_at_once() -> None:
    house = House(stride_s=300.0)
    house.hold(4 * 60, charge_percent=45.0, charge_rate_percent_per_h=0.0)
    assert house.kinds() == [AlarmKind.PACK_NOT_CHARGING]


# -- mains and reserve


def test_a_mains_failure_is_told_within_a_minute_and_its_return_once() -> None:
    house = House(stride_s=10.0)
    house.hold(10)
    failed = house.now_ms
    facts = on_pack(house)
    house.hold(30, hours(20.0), **facts)
    raised = next(item for item in house.said if item.kind is TransitionKind.RAISED)
    assert raised.alarm.kind is AlarmKind.MAINS_LOST
    assert raised.at_ms - failed <= 60_000
    assert raised.alarm.headline == (
        "Larkspur Lane cellar: Mains lost 10:12 CST; the pack lasts until about Wed 06:15 CST,"
        " between Wed 02:15 CST and Wed 10:15 CST."
    )
    house.hold(30, supply_since_ms=house.now_ms, charge_percent=70.0, charge_rate_percent_per_h=20.0)
    assert [item.kind for item in house.told()] == [TransitionKind.RAISED, TransitionKind.CLEARED]
    assert house.told()[-1].alarm.headline.startswith(
        "Larkspur Lane cellar: Mains back at 10:42 CST after 30 min; pack at 100%"
    )


def test_a_deadline_that_has_passed_says_now_to_pages_once_and_to_nobody_else() -> None:
    house = House()
    facts = on_pack(house)
    house.hold(2, hours(7.5), **facts)
    (raised,) = [item for item in house.said if item.kind is TransitionKind.RAISED]
    assert raised.alarm.by_ms is not None
    assert raised.alarm.action.startswith("By ")
    minutes_left = (raised.alarm.by_ms - house.now_ms) // MINUTE
    house.hold(minutes_left - 1, hours(7.5), **facts)
    assert all(item.alarm.action.startswith("By ") for item in house.said)
    before = len(house.said)
    house.hold(5, hours(7.5), **facts)
    passed = [item for item in house.said[before:] if item.kind is TransitionKind.UPDATED]
    assert [item.alarm.action.startswith("Now: ") for item in passed] == [True]
    assert [item.tell for item in passed] == [False]


def test_on_mains_a_short_answer_is_no_alarm() -> None:
    house = House()
    house.hold(120, hours(1.0))
    assert house.said == []


@pytest.mark.parametrize("after_min", [5.0, 26.0, 90.0])
def test_a_low_reserve_is_news_however_soon_after_the_mains_failed(after_min: float) -> None:
    """It names the act, which the loss of the mains does not."""
    house = House()
    gone = on_pack(house)
    house.hold(after_min, hours(20.0), **gone)
    house.hold(20.0, hours(4.0), **gone)
    raised = [t.alarm.kind for t in house.told() if t.kind is TransitionKind.RAISED]
    assert raised == [AlarmKind.MAINS_LOST, AlarmKind.LOW_RESERVE]
    assert "have a generator or charged pack brought" in house.told()[-1].alarm.action


def test_a_low_reserve_told_in_an_earlier_failure_is_news_again() -> None:
    house = House()
    for _ in range(2):
        house.hold(20.0, hours(4.0), **on_pack(house))
        house.hold(120.0, supply_since_ms=house.now_ms)
    low = [t for t in house.told() if t.alarm.kind is AlarmKind.LOW_RESERVE]
    assert [t.kind for t in low] == [TransitionKind.RAISED, TransitionKind.RAISED]
    assert low[0].alarm.id != low[1].alarm.id


def test_a_low_reserve_is_news_again_once_the_mains_was_told_to_be_back() -> None:
    """Fifteen minutes of mains are one outage with what comes before and after, but somebody has sent the help home."""
    house = House()
    for back_min in (15.0, 0.0):
        house.hold(20.0, hours(20.0), **on_pack(house))
        house.hold(20.0, hours(4.0), **on_pack(house))
        house.hold(back_min, supply_since_ms=house.now_ms)
    told = [(t.alarm.kind, t.kind) for t in house.told()]
    raised, cleared = TransitionKind.RAISED, TransitionKind.CLEARED
    failure = [(AlarmKind.MAINS_LOST, raised), (AlarmKind.LOW_RESERVE, raised)]
    assert told == [*failure, (AlarmKind.MAINS_LOST, cleared), *failure]


def rehearsal(house: House, **facts: Any) -> Outside:
    """A test whose plug is said to be pulled now."""
    test = DischargeTest(f"{LARKSPUR.id}:test:1", LARKSPUR.id, house.now_ms, "owner", pulled_ms=house.now_ms)
    return Outside(rehearsal=replace(test, **facts))


def test_a_rehearsal_within_its_plan_is_no_failure() -> None:
    house = House()
    house.hold(120, hours(20.0), rehearsal(house, pulled_duty=0.02), **on_pack(house))
    assert house.said == []


@pytest.mark.parametrize(
    "beyond",
    [{"until_ms": START_MS + 60 * MINUTE}, {"until_percent": 85.0}, {"finished_ms": START_MS}, {"pulled_duty": 0.004}],
    ids=["time", "charge", "finished", "inflow"],
)
def test_a_rehearsal_beyond_its_plan_is_the_real_thing(beyond: dict[str, Any]) -> None:
    house = House()
    facts = on_pack(house)
    outside = rehearsal(house, **beyond)
    duty = {} if "pulled_duty" not in beyond else {"duty": 0.2}
    for _ in range(180):
        ahead = forecast(house.now_ms, hours(20.0), supply=Supply.PACK, **duty)
        house.said += house.manager.step(status(house.now_ms, **facts), ahead, house.now_ms, outside)
        house.now_ms += house.stride_ms
    assert house.kinds() == [AlarmKind.MAINS_LOST]
    assert "past its plan" in house.said[0].alarm.headline


def test_mains_back_is_said_only_when_it_is() -> None:
    """A test asked for in an outage, should it ever stand, ends nothing."""
    house = House()
    facts = on_pack(house)
    house.hold(20, hours(20.0), **facts)
    house.hold(60, hours(20.0), rehearsal(house), **facts)
    assert house.kinds(TransitionKind.CLEARED) == []
    house.hold(10, hours(20.0), rehearsal(house), supply_since_ms=house.now_ms)
    assert house.kinds(TransitionKind.CLEARED) == [AlarmKind.MAINS_LOST]


def test_a_broker_that_is_away_mutes_nothing_that_is_heard() -> None:
    house = House()
    house.hold(5, hours(4.0), Outside(broker="no route"), **on_pack(house))
    assert house.kinds()[:2] == [AlarmKind.MAINS_LOST, AlarmKind.LOW_RESERVE]


def test_channels_that_do_not_work_are_told() -> None:
    """Never heard after an hour, refused at once, a part-full charge that never moved after half a day."""
    never = QuantityAge(Quantity.PACK_OUTPUT_POWER, "", None, None, 90.0, True)
    house = House(stride_s=120.0)
    house.hold(55, ages=(never,))
    assert house.kinds() == []
    house.hold(20, ages=(never,))
    assert house.kinds() == [AlarmKind.CHANNEL_FAILING]
    refused = House()
    refused.hold(10, outside=Outside(refused=(RefusedChannel("cellar/plug", "it is no number."),)))
    assert "cellar/plug" in refused.said[0].alarm.headline
    stands = House(stride_s=300.0)
    stands.hold(60, charge_percent=40.0, charge_rate_percent_per_h=None, charge_stood_s=13 * 3600.0)
    assert set(stands.kinds()) == {AlarmKind.CHANNEL_FAILING, AlarmKind.PACK_NOT_CHARGING}


def test_an_outage_to_the_floor_is_one_story_of_few_messages() -> None:
    house = House(stride_s=60.0)
    house.hold(5)
    since = house.now_ms
    for minute in range(24 * 60):
        left = 14.0 - minute / 60.0
        facts: dict[str, Any] = {
            "supply": Supply.PACK,
            "supply_since_ms": since,
            "charge_percent": max(0.0, 10.0 + 6.0 * left),
        }
        house.step(hours(max(left, 0.0)), **facts)
    house.hold(300, charge_percent=15.0, charge_rate_percent_per_h=10.0)
    told = house.told()
    kinds = [(item.alarm.kind, item.kind) for item in told]
    assert (AlarmKind.MAINS_LOST, TransitionKind.RAISED) in kinds
    assert (AlarmKind.LOW_RESERVE, TransitionKind.RAISED) in kinds
    assert (AlarmKind.CRITICAL_RESERVE, TransitionKind.RAISED) in kinds
    assert (AlarmKind.RESERVE_REACHED, TransitionKind.RAISED) in kinds
    assert (AlarmKind.MAINS_LOST, TransitionKind.CLEARED) in kinds
    assert len(told) <= 6
    raises = house.kinds()
    assert len(raises) == len(set(raises))


def test_silence_neither_clears_nor_raises_the_reserve_and_tells_the_projected_end() -> None:
    house = House(stride_s=60.0)
    since = house.now_ms
    facts: dict[str, Any] = {"supply": Supply.PACK, "supply_since_ms": since, "charge_percent": 60.0}
    house.hold(30, hours(9.0), **facts)
    for minute in range(8 * 60):
        quantiles = hours(8.5 - minute / 60.0, 0.4)
        age: dict[str, Any] = {"silent": True, "data_age_s": 60.0 * minute + 30.0}
        house.step(quantiles, **facts, **age)
    raised = house.kinds()
    assert raised == [AlarmKind.MAINS_LOST, AlarmKind.TELEMETRY_SILENT]
    silent = next(item for item in house.said if item.alarm.kind is AlarmKind.TELEMETRY_SILENT)
    assert silent.alarm.priority is Priority.HIGH
    assert "Projected to last until about" in silent.alarm.headline
    graver = [item for item in house.said if item.alarm.priority is Priority.CRITICAL and item.tell]
    assert len(graver) >= 1
    assert graver[0].kind is TransitionKind.UPDATED
    assert house.kinds(TransitionKind.CLEARED) == []


def test_a_flickering_mains_is_not_a_flood() -> None:
    """EEMUA 191: three or more in a minute chatter, more than ten in ten minutes are a flood."""
    house = House(stride_s=10.0)
    for _ in range(40):
        house.hold(1.0, **on_pack(house))
        house.hold(2.0)
    times = [item.at_ms for item in house.told()]
    assert len(times) <= 8
    assert all(later - first >= MINUTE for first, later in zip(times, times[2:], strict=False))
    episodes = {item.alarm.episode for item in house.said if item.alarm.kind is AlarmKind.MAINS_LOST}
    assert len(episodes) == 1


def test_reminders_follow_until_acknowledged() -> None:
    house = House(stride_s=60.0)
    house.hold(5, high_water=True)
    house.hold(120, high_water=True)
    reminders = [item for item in house.said if item.kind is TransitionKind.REMINDED]
    assert reminders
    assert reminders[0].alarm.headline.startswith("Larkspur Lane cellar: Still: HIGH WATER")
    alarm = reminders[0].alarm
    changes = house.manager.acknowledge(alarm.id, "owner", house.now_ms)
    assert [item.alarm.state for item in changes] == [AlarmState.ACKNOWLEDGED]
    assert house.manager.acknowledge(alarm.id, "owner", house.now_ms) == []
    count = len(house.said)
    house.hold(600, high_water=True)
    assert len(house.said) == count


def test_states_run_as_in_isa_18_2() -> None:
    house = House(stride_s=60.0)
    house.hold(5, high_water=True)
    house.hold(10)
    returned = house.said[-1].alarm
    assert returned.state is AlarmState.RETURNED_UNACKNOWLEDGED
    done = house.manager.acknowledge(returned.id, "owner", house.now_ms)
    assert done[0].alarm.state is AlarmState.NORMAL
    assert done[0].alarm.acknowledged_by == "owner"
    assert house.manager.alarms() == []


def test_an_acknowledged_alarm_that_returns_is_normal() -> None:
    house = House(stride_s=60.0)
    house.hold(5, high_water=True)
    house.manager.acknowledge(house.said[-1].alarm.id, "owner", house.now_ms)
    house.hold(10)
    assert house.said[-1].alarm.state is AlarmState.NORMAL


def test_acknowledging_a_graver_chapter_covers_the_milder() -> None:
    house = House(stride_s=60.0)
    facts = on_pack(house)
    house.hold(10, hours(1.5), **facts)
    critical = next(a for a in house.manager.alarms() if a.kind is AlarmKind.CRITICAL_RESERVE)
    changes = house.manager.acknowledge(critical.id, "owner", house.now_ms)
    assert {item.alarm.kind for item in changes} == {
        AlarmKind.MAINS_LOST, AlarmKind.LOW_RESERVE, AlarmKind.CRITICAL_RESERVE,
    }  # fmt: skip


def test_shelving_is_limited_visible_and_ends() -> None:
    house = House(stride_s=60.0)
    house.hold(5, high_water=True)
    alarm = house.said[-1].alarm
    with pytest.raises(UsageError, match="at most 7 days"):
        house.manager.shelve(alarm.id, house.now_ms + 8 * DAY, "owner", house.now_ms)
    shelved = house.manager.shelve(alarm.id, house.now_ms + HOUR, "owner", house.now_ms)[0].alarm
    assert shelved.state is AlarmState.SHELVED
    assert shelved.shelved_by == "owner"
    count = len(house.said)
    house.hold(55, high_water=True)
    assert len(house.said) == count
    assert [a.state for a in house.manager.alarms()] == [AlarmState.SHELVED]
    house.hold(10, high_water=True)
    assert house.said[count].kind is TransitionKind.UNSHELVED
    assert house.said[count].tell
    assert house.said[count].alarm.state is AlarmState.UNACKNOWLEDGED


def test_a_shelf_may_be_left_early() -> None:
    """ANSI/ISA-18.2-2016: an operator may take an alarm off the shelf before its time."""
    house = House()
    house.hold(5, high_water=True)
    alarm = house.said[-1].alarm
    assert house.manager.unshelve(alarm.id, house.now_ms) == []
    house.manager.shelve(alarm.id, house.now_ms + HOUR, "owner", house.now_ms)
    house.hold(5, high_water=True)
    [back] = house.manager.unshelve(alarm.id, house.now_ms)
    assert (back.kind, back.tell, back.alarm.state) == (TransitionKind.UNSHELVED, True, AlarmState.UNACKNOWLEDGED)
    assert (back.alarm.shelved_until_ms, back.alarm.shelved_by) == (None, None)
    count = len(house.said)
    house.step(high_water=True)
    assert TransitionKind.UNSHELVED not in [item.kind for item in house.said[count:]]
    assert house.manager.unshelve(alarm.id, house.now_ms) == []


def test_what_is_over_on_the_shelf_comes_back_in_silence() -> None:
    house = House()
    house.hold(5, high_water=True)
    alarm = house.said[-1].alarm
    house.manager.shelve(alarm.id, house.now_ms + HOUR, "owner", house.now_ms)
    house.hold(30, high_water=False)
    [back] = house.manager.unshelve(alarm.id, house.now_ms)
    assert (back.tell, back.alarm.state) == (False, AlarmState.NORMAL)


def test_unknown_alarms_are_refused() -> None:
    house = House()
    with pytest.raises(NotFound):
        house.manager.unshelve("larkspur:high-water:1", START_MS)
    with pytest.raises(NotFound):
        house.manager.acknowledge("larkspur:high-water:1", "owner", START_MS)
    with pytest.raises(NotFound):
        house.manager.shelve("larkspur:high-water:1", START_MS + HOUR, "owner", START_MS)


def test_a_restored_manager_goes_on_as_if_it_had_never_stopped() -> None:
    house, twin = House(stride_s=60.0), House(stride_s=60.0)
    for minute in range(600):
        left = 8.0 - minute / 60.0
        facts: dict[str, Any] = {
            "supply": Supply.PACK,
            "supply_since_ms": START_MS,
            "charge_percent": max(0.0, 10.0 + 6.0 * left),
        }
        for one in (house, twin):
            one.step(hours(max(left, 0.0)), **facts)
        house.manager = AlarmManager.restore(LARKSPUR, house.manager.snapshot())
    assert house.said == twin.said
    assert house.manager.snapshot() == twin.manager.snapshot()


def test_a_snapshot_that_cannot_be_read_is_said_so() -> None:
    with pytest.raises(SnapshotError, match="cannot be read"):
        AlarmManager.restore(LARKSPUR, b"{")
    with pytest.raises(SnapshotError, match="version 99"):
        AlarmManager.restore(LARKSPUR, b'{"version": 99}')


def test_a_kind_switched_off_is_closed_and_stays_quiet() -> None:
    house = House(stride_s=60.0)
    house.hold(5, high_water=True)
    off = AlarmLimits(off=frozenset({AlarmKind.HIGH_WATER}))
    manager = AlarmManager.restore(LARKSPUR, house.manager.snapshot(), off)
    changes = manager.step(status(house.now_ms, high_water=True), forecast(house.now_ms), house.now_ms)
    assert [(item.kind, item.alarm.state) for item in changes] == [(TransitionKind.CLEARED, AlarmState.NORMAL)]
    assert manager.step(status(house.now_ms, high_water=True), forecast(house.now_ms), house.now_ms + HOUR) == []


def test_no_person_gets_more_than_ten_messages_a_day_whatever_happens() -> None:
    house = House(stride_s=60.0)
    wet = False
    for hour in range(72):
        wet = not wet
        supply = Supply.PACK if hour % 3 else Supply.MAINS
        house.hold(
            60,
            hours(1.0 + hour % 9),
            supply=supply,
            supply_since_ms=house.now_ms - HOUR,
            high_water=wet,
            overdue=1.0 if hour % 4 == 0 else 0.2,
            pack_carrying=hour % 5 != 0,
            charge_percent=50.0,
            charge_rate_percent_per_h=3.0,
        )
    times = [item.at_ms for item in house.told()]
    assert times
    for at in times:
        assert sum(1 for other in times if at <= other < at + DAY) <= 10
