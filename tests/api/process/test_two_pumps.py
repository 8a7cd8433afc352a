"""Two pumps in one pit, live: one process, a real broker, and houses with the same water in the same outage.

One has a single pump; in the others a second one at a higher float stands behind it, and it, the first one, or both
fail. What is asked of the sizes is common practice, no source; the truth is the simulated house.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest

from forecaster.twin.live import LiveSite, Scenario
from tests.api.process.lane import (
    FAIL_S,
    PAST_S,
    START_MS,
    STEP_MIN,
    LaneHouse,
    LaneWatched,
    described,
    lane,
    second_pump,
)

FIRST_MIN, SECOND_MIN, END_MIN = 18.0, 39.0, 52.5
FIRST_S, SECOND_S = PAST_S + FIRST_MIN * 60.0, PAST_S + SECOND_MIN * 60.0
PAIRS = {
    "single": None,
    "idle": second_pump(second_fails_s=0.0),
    "first": second_pump(first_fails_s=FIRST_S),
    "both": second_pump(first_fails_s=FIRST_S, second_fails_s=SECOND_S),
}


def paired(site_id: str) -> LaneHouse:
    scenario = Scenario(fail_after_s=FAIL_S, outage_h=40.0, pair=PAIRS[site_id])
    live = LiveSite(seed=3, start_ms=START_MS, scenario=scenario)
    return LaneHouse.of(site_id, live, described(live.site))


def lasts_h(house: LaneHouse, minute: float) -> float:
    """From a minute after the past to the reserve [h]."""
    reserve_s = house.live._plan.house.outages[0].reserve_s
    assert reserve_s is not None
    return (reserve_s - PAST_S) / 3600.0 - minute / 60.0


@dataclass
class Outcome(LaneWatched):
    """Also the forecasts of all by minute."""

    forecasts: dict[float, dict[str, dict[str, Any]]] = field(default_factory=dict)


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    found = Outcome()
    with lane(tmp_path_factory.mktemp("pumps"), [paired(site_id) for site_id in PAIRS]) as passing:
        for minute in found.minutes(passing, END_MIN):
            if minute in (FIRST_MIN - STEP_MIN, SECOND_MIN - STEP_MIN, END_MIN):
                found.forecasts[minute] = passing.forecasts()
    return found


def roles(forecast: dict[str, Any]) -> list[tuple[str, str]]:
    return [(pump["id"], pump["role"]) for pump in forecast["pumps"]]


@pytest.mark.slow
def test_a_pit_with_two_pumps_is_forecast_like_one(outcome: Outcome) -> None:
    """The same water: while the first one lifts, draw and energy left are those of a single pump. How good the hours
    are over a whole outage, tests/forecaster/engine/test_two_pumps.py tells."""
    before = outcome.forecasts[FIRST_MIN - STEP_MIN]
    assert before["single"]["pumps"] == []
    for name in ("idle", "first", "both"):
        found = before[name]
        assert (found["supply"], found["basis"]) == ("pack", "measured")
        assert roles(found) == [("main", "lifts"), ("backup", "waits")]
        assert found["draw_w"] == pytest.approx(before["single"]["draw_w"], rel=0.17)
        assert found["usable_wh"] == pytest.approx(before["single"]["usable_wh"], rel=0.03)


@pytest.mark.slow
def test_when_the_first_fails_the_second_is_forecast(outcome: Outcome) -> None:
    """How much shorter than where the first one still lifts, near the truth: it needs a quarter more energy
    for the same water. Its own runs are told, and the floor is as near as from its own float."""
    said_by = outcome.forecasts[SECOND_MIN - STEP_MIN]
    found, idle, single = (said_by[name] for name in ("first", "idle", "single"))
    assert roles(found) == [("main", "missing"), ("backup", "lifts")]
    said = found["hours_remaining"]["p50"] / idle["hours_remaining"]["p50"]
    true = lasts_h(outcome.houses["first"], SECOND_MIN) / lasts_h(outcome.houses["idle"], SECOND_MIN)
    assert true < 0.9
    assert said == pytest.approx(true, rel=0.12)
    assert found["run_s"] > 2.0 * single["run_s"]
    assert found["water"]["minutes_to_floor"] == pytest.approx(2.0 / 3.0 * single["water"]["minutes_to_floor"], rel=0.3)
    assert {"code": "second-pump-lifts", "pump": "backup"} in found["degraded_codes"]


@pytest.mark.slow
def test_a_first_pump_that_fails_is_told_and_is_no_dead_pit(outcome: Outcome) -> None:
    [alarm] = [a for a in outcome.alarms if (a["site"], a["kind"]) == ("first", "second-pump-running")]
    assert (alarm["priority"], alarm["state"]) == ("high", "unacknowledged")
    assert "Pump main does not lift: pump backup does" in alarm["headline"]
    assert outcome.seen_min["first", "second-pump-running"] <= FIRST_MIN + 9.0
    assert ("first", "pump-silent") not in outcome.seen_min


@pytest.mark.slow
def test_when_both_fail_the_pit_is_dead(outcome: Outcome) -> None:
    assert ("both", "second-pump-running") in outcome.seen_min
    assert SECOND_MIN < outcome.seen_min["both", "pump-silent"] <= SECOND_MIN + 9.0
    [alarm] = [a for a in outcome.alarms if (a["site"], a["kind"]) == ("both", "pump-silent")]
    assert alarm["priority"] == "critical"


@pytest.mark.slow
def test_nothing_is_raised_where_the_first_pump_lifts(outcome: Outcome) -> None:
    """A second one that would not start is not seen while it is not needed."""
    kinds = {kind for site, kind in outcome.seen_min if site in ("idle", "single")}
    assert "mains-lost" in kinds
    assert not kinds & {"second-pump-running", "pump-silent", "pump-overrun", "pack-output-off", "channel-failing"}


@pytest.mark.slow
def test_the_pages_list_the_pumps(outcome: Outcome) -> None:
    assert "Pump main" in outcome.pages["first"]
    assert "does not lift" in outcome.pages["first"]
    assert "waits for higher water" in outcome.pages["idle"]
    assert "Pump main" not in outcome.pages["single"]
