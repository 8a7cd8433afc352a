"""When a forecast is due: at once where the supply changed, in time everywhere; which ones are kept for later."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from forecaster.alarms import AlarmManager
from forecaster.domain.alarms import AlarmKind, TransitionKind
from forecaster.domain.errors import UsageError
from forecaster.domain.forecast import Forecast
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Supply
from forecaster.engine import Engine
from forecaster.live.shedding import LONG_REUSED_MS, REUSED_MS
from forecaster.live.site_runner import GAP_S, HOLDOFF_MS, PAST_MS, PAST_ON_MAINS_MS, REFRESH_MS, SiteRunner
from forecaster.twin.episode import episode, merged
from forecaster.twin.live import larkspur_site
from forecaster.twin.styles import Style
from tests.scenario import NOW_MS

LIMIT_MS = 60_000
"""No forecast is to be older than this."""


@pytest.fixture
def runner() -> SiteRunner:
    site = larkspur_site()
    made = SiteRunner(site, Engine(site), AlarmManager(site))
    for at_s in range(-3600, 0, 5):
        hear(made, Quantity.PUMP_POWER, 480.0 if (at_s + 300) % 1200 < 10 else 0.4, NOW_MS + at_s * 1_000)
    hear(made, Quantity.MAINS_PRESENT, 1.0, NOW_MS)
    hear(made, Quantity.PACK_CHARGE, 100.0, NOW_MS)
    made.tell(NOW_MS, 0.0)
    return made


def hear(runner: SiteRunner, quantity: Quantity, value: float, at_ms: int) -> None:
    runner.take(Reading(runner.site.id, quantity, at_ms, value, at_ms))


def test_a_lost_supply_makes_a_forecast_due_at_once_however_many_sites_there_are(runner: SiteRunner) -> None:
    runner.holdoff_ms = REFRESH_MS
    assert not runner.due(NOW_MS + 1_000, 1.0)
    hear(runner, Quantity.MAINS_PRESENT, 0.0, NOW_MS + 1_000)
    assert runner.due(NOW_MS + 1_000, 1.0)
    assert runner.urgency(NOW_MS + 1_000) > REFRESH_MS


def test_a_new_charge_is_told_at_once_by_a_forecaster_of_few_sites_and_eased_by_one_of_many(runner: SiteRunner) -> None:
    hear(runner, Quantity.PACK_CHARGE, 99.0, NOW_MS + 1_000)
    assert runner.due(NOW_MS + 1_000, 1.0)
    runner.holdoff_ms = HOLDOFF_MS * 500
    assert not runner.due(NOW_MS + 1_000, 1.0)
    assert runner.due(NOW_MS + HOLDOFF_MS * 500, 10.0)


def test_of_sites_taken_over_the_soonest_out_are_first_then_the_oldest(runner: SiteRunner) -> None:
    """In: forecasts that another issued, on mains 30 and 20 s ago, on the pack 20 s ago with 3 and 30 h left; a site
    that had none. Out: the site without any, the pack's by the hours left, then those on mains by age."""
    last = runner.newest
    assert last is not None

    def taken_over(age_s: float, supply: Supply, hours: float) -> SiteRunner:
        made = SiteRunner(runner.site, Engine(runner.site), AlarmManager(runner.site))
        left = replace(last.hours_remaining, p10=hours)
        made.before = replace(last, issued_at_ms=NOW_MS - round(age_s * 1000), supply=supply, hours_remaining=left)
        return made

    fresh = SiteRunner(runner.site, Engine(runner.site), AlarmManager(runner.site))
    wanted = [
        fresh, taken_over(20.0, Supply.PACK, 3.0), taken_over(20.0, Supply.PACK, 30.0),
        taken_over(30.0, Supply.MAINS, 50.0), taken_over(20.0, Supply.MAINS, 50.0),
    ]  # fmt: skip
    assert all(one.due(NOW_MS, 0.0) for one in wanted)
    mixed = [wanted[place] for place in (3, 0, 4, 2, 1)]
    assert sorted(mixed, key=lambda one: one.urgency(NOW_MS), reverse=True) == wanted


@pytest.mark.parametrize("sites", [1, 100, 10_000])
def test_a_forecast_is_due_well_before_it_is_too_old(runner: SiteRunner, sites: int) -> None:
    runner.holdoff_ms = min(REFRESH_MS, HOLDOFF_MS * sites)
    assert runner.due(NOW_MS + round(0.75 * LIMIT_MS), 45.0)
    assert not runner.due(NOW_MS + REFRESH_MS - 1_000, 29.0)


def test_a_clock_that_stepped_back_makes_one_due(runner: SiteRunner) -> None:
    assert runner.due(NOW_MS - LIMIT_MS, 1.0)


def test_past_forecasts_are_kept_now_and_then_and_where_the_supply_changed(runner: SiteRunner) -> None:
    kept = [
        runner.tell(NOW_MS + at_ms, at_ms / 1000.0).stored.past
        for at_ms in (30_000, 60_000, PAST_ON_MAINS_MS, PAST_ON_MAINS_MS + 30_000)
    ]
    assert kept == [False, False, True, False]
    out_ms = NOW_MS + PAST_ON_MAINS_MS + 60_000
    for after_ms in range(0, 200_000, 10_000):
        hear(runner, Quantity.MAINS_PRESENT, 0.0, out_ms + after_ms)
    told = [runner.tell(out_ms + 200_000 + after_ms, 900.0 + after_ms / 1000.0) for after_ms in (0, 30_000, PAST_MS)]
    assert [t.forecast.supply.value for t in told] == ["pack"] * 3
    assert [t.stored.past for t in told] == [True, False, True]


def test_models_are_tuned_daily_on_mains_and_hourly_on_the_pack(runner: SiteRunner) -> None:
    """The one that is most overdue goes first: an outage of an hour before a day on mains that is not over."""
    hour_ms = 3_600_000
    assert not runner.refit_if_due(NOW_MS)
    assert not runner.refit_if_due(NOW_MS + 23 * hour_ms)
    assert runner.engine.untuned(NOW_MS + 23 * hour_ms) == pytest.approx(23 / 24)
    assert runner.refit_if_due(NOW_MS + 24 * hour_ms)
    out_ms = NOW_MS + 24 * hour_ms + 60_000
    for after_ms in range(0, 200_000, 10_000):
        hear(runner, Quantity.MAINS_PRESENT, 0.0, out_ms + after_ms)
    assert not runner.refit_if_due(out_ms + 200_000)
    assert runner.engine.untuned(out_ms + hour_ms) > 1.0
    assert runner.refit_if_due(out_ms + hour_ms)
    assert not runner.refit_if_due(out_ms + hour_ms + 60_000)


def test_what_a_person_asks_for_is_done_and_what_changed_is_told(runner: SiteRunner) -> None:
    """Acknowledged, shelved, brought back; twice changes nothing, and a request of another release is refused."""
    for at_s in range(0, 200, 10):
        hear(runner, Quantity.MAINS_PRESENT, 0.0, NOW_MS + at_s * 1_000)
    at_ms = NOW_MS + 200_000
    [raised] = [one for one in runner.tell(at_ms, 200.0).transitions if one.alarm.kind is AlarmKind.MAINS_LOST]
    asked: list[tuple[str, dict[str, Any], list[TransitionKind]]] = [
        ("acknowledge", {"by": "Ada"}, [TransitionKind.ACKNOWLEDGED]),
        ("acknowledge", {"by": "Ada"}, []),
        ("shelve", {"by": "Ada", "until_ms": at_ms + 60_000}, [TransitionKind.SHELVED]),
        ("unshelve", {}, [TransitionKind.UNSHELVED]),
        ("unshelve", {}, []),
    ]
    for kind, body, wanted in asked:
        assert [one.kind for one in runner.obey(kind, raised.alarm.id, body, at_ms)] == wanted, kind
    assert runner.due(at_ms, 200.0 + GAP_S), "it is to be seen at once"
    with pytest.raises(UsageError, match="prune"):
        runner.obey("prune", raised.alarm.id, {}, at_ms)


# -- reused on where nothing has come in


def told_in_turn(seed: int, hours: float, reused_ms: int = REUSED_MS) -> list[tuple[bool, Forecast, Forecast]]:
    """The last hours before a drawn outage, a forecast every 45 s: (reused on, as told, made anew)."""
    drawn = episode(seed, (Style.POWER,), history=1.0)
    runner = SiteRunner(drawn.site, Engine(drawn.site), AlarmManager(drawn.site))
    found = []
    due_ms = drawn.truth.transfer_ms - round(hours * 3_600_000)
    for reading in merged(drawn.site.id, drawn.tracks, drawn.outlooks):
        if reading.arrived_ms >= drawn.truth.transfer_ms:
            break
        while reading.arrived_ms >= due_ms:
            runner.drain()
            told = runner.tell(due_ms, 0.0, reused_ms=reused_ms).forecast
            found.append((runner.reused, told, runner.engine.forecast(due_ms)))
            due_ms += 45_000
        runner.take(reading)
    return found


@pytest.mark.parametrize("seed", [pytest.param(1, marks=pytest.mark.slow), 5])
@pytest.mark.parametrize(
    ("reused_ms", "least"), [(REUSED_MS, 1 / 5), pytest.param(LONG_REUSED_MS, 1 / 4, marks=pytest.mark.slow)]
)
def test_what_is_reused_is_what_would_be_made_anew(seed: int, reused_ms: int, least: float) -> None:
    """On mains, with no run, charge, state or rain since: two minutes, or five under load, change next to nothing."""
    found = told_in_turn(seed, 3.0, reused_ms)
    reused = [(told, anew) for was, told, anew in found if was]
    assert len(reused) > len(found) * least
    for told, anew in reused:
        assert told.issued_at_ms == anew.issued_at_ms
        assert told.data_age_s == anew.data_age_s
        assert [p.at_ms for p in told.survival[:5]] == [p.at_ms for p in anew.survival[:5]]
        for old, new in zip(told.hours_remaining.values(), anew.hours_remaining.values(), strict=True):
            assert old == pytest.approx(new, rel=0.01)


def test_news_is_told_at_once_and_silence_too(runner: SiteRunner) -> None:
    def idle(from_s: int, until_s: int) -> None:
        for at_s in range(from_s, until_s, 5):
            hear(runner, Quantity.PUMP_POWER, 0.4, NOW_MS + at_s * 1_000)

    def reused(after_s: int) -> bool:
        told = runner.tell(NOW_MS + after_s * 1_000, float(after_s)).forecast
        assert told.issued_at_ms == NOW_MS + after_s * 1_000
        return runner.reused

    idle(0, 30)
    assert reused(30)
    idle(30, 70)
    hear(runner, Quantity.PACK_CHARGE, 96.0, NOW_MS + 40_000)
    assert not reused(45)
    assert runner.newest is not None
    assert runner.newest.charge_percent == 96.0
    assert reused(60)
    hear(runner, Quantity.RAIN_DEPTH, 0.2, NOW_MS + 65_000)
    assert not reused(70)
    idle(70, 75 + REUSED_MS // 1_000)
    assert reused(70 + REUSED_MS // 1_000)
    assert not reused(75 + REUSED_MS // 1_000)
    assert not reused(86_400)  # nothing is heard any more
    assert not reused(86_430)


# -- a float that was up while nobody looked


def high_water_told(runner: SiteRunner, looks_s: tuple[int, ...]) -> list[tuple[int, TransitionKind]]:
    """What the alarms said of the float, at looks so long after the fixture's [s]."""
    said = []
    for at_s in looks_s:
        for quantity in (Quantity.HIGH_WATER, Quantity.PUMP_POWER):
            hear(runner, quantity, 0.0, NOW_MS + 1_000 * at_s)
        told = runner.tell(NOW_MS + 1_000 * at_s, float(at_s))
        said += [(at_s, t.kind) for t in told.transitions if t.alarm.kind is AlarmKind.HIGH_WATER]
    return said


@pytest.mark.parametrize(
    ("up_s", "down_s", "said"),
    [
        (60, 240, [(900, TransitionKind.RAISED), (1_230, TransitionKind.CLEARED)]),
        (60, 75, [(900, TransitionKind.RAISED), (1_230, TransitionKind.CLEARED)]),
        (60, 66, []),
    ],
)
def test_a_float_that_was_up_while_the_forecaster_was_away_is_told(
    runner: SiteRunner, up_s: int, down_s: int, said: list[tuple[int, TransitionKind]]
) -> None:
    """In: nothing is looked at for a quarter of an hour. Out: raised where it was up for the delay of 10 s or more."""
    hear(runner, Quantity.HIGH_WATER, 0.0, NOW_MS + 1_000)
    hear(runner, Quantity.HIGH_WATER, 1.0, NOW_MS + 1_000 * up_s)
    hear(runner, Quantity.HIGH_WATER, 0.0, NOW_MS + 1_000 * down_s)
    assert high_water_told(runner, (900, 915, 930, 1_230, 1_800)) == said


def test_a_float_that_was_up_is_told_once_and_the_past_of_a_new_house_never(runner: SiteRunner) -> None:
    for value, at_s in ((1.0, 60), (0.0, 240)):
        hear(runner, Quantity.HIGH_WATER, value, NOW_MS + 1_000 * at_s)
    assert len(high_water_told(runner, (900, 915, 1_230))) == 2
    again = SiteRunner(runner.site, Engine(runner.site), AlarmManager.restore(runner.site, runner.manager.snapshot()))
    new = SiteRunner(runner.site, Engine(runner.site), AlarmManager(runner.site))
    for other in (again, new):  # folds the stored readings anew
        for value, at_s in ((1.0, 60), (0.0, 240)):
            hear(other, Quantity.HIGH_WATER, value, NOW_MS + 1_000 * at_s)
        assert high_water_told(other, (1_800, 1_900, 2_400)) == []
