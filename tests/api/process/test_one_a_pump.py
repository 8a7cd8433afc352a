"""Two pumps in one pit, each on a pack of its own, live: one process, a real broker, and the same water in one outage.

In one house the first pack is small and runs empty; in the others the first pump fails, its pack trips, or the small
pack runs empty while the second one has tripped. How good the hours are over a whole outage,
tests/forecaster/engine/test_one_a_pump.py tells. What is asked of the sizes is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest

from forecaster.domain.site import Arrangement
from forecaster.twin.bank import BankTruth
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

FAILS_MIN, END_MIN = 18.0, 48.0
FAILS_S = PAST_S + FAILS_MIN * 60.0
SOUND, FAILS = second_pump(), second_pump(first_fails_s=FAILS_S)
SMALL, EVEN = {"left": 0.02, "right": 0.5}, {"left": 0.5, "right": 0.5}
APART = Arrangement.ONE_A_PUMP
HOUSES = {
    "spent": (SOUND, BankTruth(SMALL, APART)),
    "fails": (FAILS, BankTruth(EVEN, APART)),
    "trips": (SOUND, BankTruth(EVEN, APART, ("left", FAILS_S))),
    "dead": (SOUND, BankTruth(SMALL, APART, ("right", FAILS_S - 600.0))),
}


def apart(site_id: str) -> LaneHouse:
    pair, bank = HOUSES[site_id]
    live = LiveSite(seed=3, start_ms=START_MS, scenario=Scenario(FAIL_S, outage_h=40.0, pair=pair, bank=bank))
    return LaneHouse.of(site_id, live, described(live.site))


@dataclass
class Outcome(LaneWatched):
    """By site also its forecasts before and after, and the description of one."""

    before: dict[str, dict[str, Any]] = field(default_factory=dict)
    after: dict[str, dict[str, Any]] = field(default_factory=dict)
    site: dict[str, Any] = field(default_factory=dict)

    def alarm(self, site: str, kind: str) -> dict[str, Any]:
        """The one alarm of a kind at a site."""
        [found] = [one for one in self.alarms if (one["site"], one["kind"]) == (site, kind)]
        return found


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    found = Outcome()
    with lane(tmp_path_factory.mktemp("apart"), [apart(site_id) for site_id in HOUSES]) as passing:
        for minute in found.minutes(passing, END_MIN):
            if minute == FAILS_MIN - 7 * STEP_MIN:
                found.before = passing.forecasts()
        found.after = passing.forecasts()
        found.site = passing.lapse.client.get("/api/v1/sites/spent").json()
    return found


def roles(forecast: dict[str, Any]) -> list[tuple[str, str]]:
    return [(one["id"], one["role"]) for one in (*forecast["pumps"], *forecast["packs"])]


@pytest.mark.slow
def test_packs_are_listed_beside_the_pumps_that_they_feed(outcome: Outcome) -> None:
    for found in outcome.before.values():
        assert (found["supply"], found["basis"]) == ("pack", "measured")
        assert [(pack["id"], pack["pump"]) for pack in found["packs"]] == [("left", "main"), ("right", "backup")]
        assert roles(found) == [("main", "lifts"), ("backup", "waits"), ("left", "carrying"), ("right", "waiting")]
        assert sum(pack["usable_wh"] for pack in found["packs"]) == pytest.approx(found["usable_wh"], rel=0.05)
    assert outcome.site["pack_arrangement"] == "one_a_pump"
    assert [pack["pump"] for pack in outcome.site["packs"]] == ["main", "backup"]


@pytest.mark.slow
def test_a_spent_pack_is_told_with_its_pump_and_the_other_one_carries_on(outcome: Outcome) -> None:
    found = outcome.after["spent"]
    assert roles(found) == [("main", "missing"), ("backup", "lifts"), ("left", "empty"), ("right", "carrying")]
    alarm = outcome.alarm("spent", "second-pump-running")
    assert (alarm["priority"], alarm["state"]) == ("high", "unacknowledged")
    assert "Pack left of pump main is spent: backup lifts on right and lasts" in alarm["headline"]
    assert found["hours_remaining"]["p50"] > 2.0
    assert not [kind for site, kind in outcome.seen_min if site == "spent" and kind in UNTOLD]


UNTOLD = ("pump-silent", "pack-output-off", "reserve-reached", "telemetry-silent", "channel-failing", "pump-overrun")
"""What must not be told beside the alarm that names pump and pack."""


@pytest.mark.slow
@pytest.mark.parametrize("site", ["fails", "trips"])
def test_a_first_pump_or_pack_that_fails_is_told_once_and_its_charge_does_not_count(
    outcome: Outcome, site: str
) -> None:
    found, before = outcome.after[site], outcome.before[site]
    assert roles(found) == [("main", "missing"), ("backup", "lifts"), ("left", "stranded"), ("right", "carrying")]
    assert found["usable_wh"] == pytest.approx(0.5 * before["usable_wh"], rel=0.15)
    assert {"code": "pack-stranded", "pack": "left"} in found["degraded_codes"]
    alarm = outcome.alarm(site, "second-pump-running")
    assert "Pump main does not lift: pump backup does, on pack right" in alarm["headline"]
    assert "pack left" in alarm["action"]
    assert FAILS_MIN < outcome.seen_min[site, "second-pump-running"] <= FAILS_MIN + 9.0
    assert not [kind for one, kind in outcome.seen_min if one == site and kind in UNTOLD]


@pytest.mark.slow
def test_where_the_second_one_has_no_power_either_the_pit_is_dead(outcome: Outcome) -> None:
    assert outcome.alarm("dead", "pump-silent")["priority"] == "critical"
    assert outcome.seen_min["dead", "pump-silent"] > FAILS_MIN
    assert ("dead", "second-pump-running") not in outcome.seen_min


@pytest.mark.slow
def test_the_pages_list_pumps_with_their_packs(outcome: Outcome) -> None:
    for said in ("Pump main", "does not lift", "Pack left, of pump main", "Pack right, of pump backup"):
        assert said in outcome.pages["spent"]
    assert "its pump does not lift: not counted" in outcome.pages["trips"]
