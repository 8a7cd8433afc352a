"""Two packs in one house, live: one process, a real broker, and three houses with the same water in the same outage.

One has a single pack, one has two side by side of which one trips, one has two that carry in turn.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest

from forecaster.domain.site import Arrangement
from forecaster.twin.bank import BankTruth
from forecaster.twin.live import LiveSite, Scenario
from tests.api.process.lane import FAIL_S, PAST_S, START_MS, STEP_MIN, LaneHouse, lane

TRIPS_MIN, END_MIN = 21.0, 48.0
BANKS = {
    "single": None,
    "beside": BankTruth({"left": 0.5, "right": 0.5}, Arrangement.PARALLEL, ("right", PAST_S + TRIPS_MIN * 60.0)),
    "turns": BankTruth({"left": 0.6, "right": 0.4}, Arrangement.IN_TURN),
}


def packed(site_id: str) -> LaneHouse:
    live = LiveSite(seed=3, start_ms=START_MS, scenario=Scenario(fail_after_s=FAIL_S, bank=BANKS[site_id]))
    return LaneHouse.of(site_id, live, live.site)


@dataclass
class Outcome:
    """By site: the forecast just before the trip, that at the end, all alarms at the end, and the pages."""

    before: dict[str, dict[str, Any]] = field(default_factory=dict)
    after: dict[str, dict[str, Any]] = field(default_factory=dict)
    alarms: list[dict[str, Any]] = field(default_factory=list)
    pages: dict[str, str] = field(default_factory=dict)
    site: dict[str, Any] = field(default_factory=dict)


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    found = Outcome()
    with lane(tmp_path_factory.mktemp("packs"), [packed(site_id) for site_id in BANKS]) as passing:
        for minute in passing.minutes(END_MIN):
            if minute == TRIPS_MIN - STEP_MIN:
                found.before = passing.forecasts()
        found.after, found.alarms, found.pages = passing.forecasts(), passing.alarms(), passing.pages()
        found.site = passing.lapse.client.get("/api/v1/sites/beside").json()
    return found


def roles(forecast: dict[str, Any]) -> list[tuple[str, str]]:
    return [(pack["id"], pack["role"]) for pack in forecast["packs"]]


@pytest.mark.slow
def test_two_packs_that_work_are_forecast_like_one(outcome: Outcome) -> None:
    """The same energy and water: the middle within a fifth of that of one pack, and one range in the other."""
    one = outcome.before["single"]
    assert one["packs"] == []
    for name in ("beside", "turns"):
        found = outcome.before[name]
        assert found["supply"] == "pack"
        assert found["basis"] == "measured"
        assert found["hours_remaining"]["p50"] == pytest.approx(one["hours_remaining"]["p50"], rel=0.2)
        assert found["charge_percent"] == pytest.approx(one["charge_percent"], abs=1.5)
        assert sum(pack["usable_wh"] for pack in found["packs"]) == pytest.approx(found["usable_wh"], rel=0.05)
    assert roles(outcome.before["beside"]) == [("left", "carrying"), ("right", "carrying")]
    assert roles(outcome.before["turns"]) == [("left", "carrying"), ("right", "waiting")]


@pytest.mark.slow
def test_a_pack_that_trips_is_told_and_not_counted(outcome: Outcome) -> None:
    found, before = outcome.after["beside"], outcome.before["beside"]
    assert roles(found) == [("left", "carrying"), ("right", "off")]
    assert found["usable_wh"] == pytest.approx(0.5 * before["usable_wh"], rel=0.15)
    assert found["hours_remaining"]["p50"] < 0.6 * outcome.after["single"]["hours_remaining"]["p50"]
    assert {"code": "pack-off", "pack": "right"} in found["degraded_codes"]
    [alarm] = [a for a in outcome.alarms if (a["site"], a["kind"]) == ("beside", "pack-output-off")]
    assert (alarm["priority"], alarm["state"]) == ("high", "unacknowledged")
    assert "Pack right carries nothing though it has charge left" in alarm["headline"]
    assert "switch the output of pack right on by hand" in alarm["action"]


@pytest.mark.slow
def test_nothing_is_raised_of_packs_that_do_their_work(outcome: Outcome) -> None:
    """In turn the second one gives nothing, and is not meant to."""
    kinds = {(a["site"], a["kind"]) for a in outcome.alarms}
    assert ("turns", "mains-lost") in kinds
    assert not [one for one in kinds if one[0] != "beside" and one[1] in ("pack-output-off", "telemetry-silent")]


@pytest.mark.slow
def test_the_pages_list_the_packs(outcome: Outcome) -> None:
    assert "Pack right" in outcome.pages["beside"]
    assert "carries nothing: not counted" in outcome.pages["beside"]
    assert "waits for its turn" in outcome.pages["turns"]
    assert "Pack right" not in outcome.pages["single"]
    assert [pack["id"] for pack in outcome.site["packs"]] == ["left", "right"]
    assert outcome.site["pack_arrangement"] == "parallel"
