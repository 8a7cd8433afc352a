"""Two pumps in one pit, live: one process, a real broker, and houses with the same water in the same outage.

One has a single pump; in the others a second one at a higher float stands behind it, and it, the first one, or both
fail. What is asked of the sizes is common practice, no source; the truth is the simulated house.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import httpx
import pytest

from collector.config.site_file import site_toml
from collector.decode.payload import Decoder
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import NamedPump, Pump, Site
from forecaster.twin.live import LARKSPUR, LiveSite, Scenario
from forecaster.twin.pair import PairTruth
from tests.api.process.lapse import Message, lapsing
from tests.engines import free_port
from tests.servers import running_mosquitto

START_MS = 1_772_500_000_000
PAST_H, FAILS_MIN, FIRST_MIN, SECOND_MIN, END_MIN, STEP_MIN = 12.0, 3.0, 18.0, 39.0, 52.5, 1.5
PAST_S = PAST_H * 3600.0
TRUE = replace(LARKSPUR.pump, running_w=390.0, rate_l_per_min=95.0, inrush_w=1100.0)
"""It needs a quarter more energy for the same water than the first one."""
PLATE = Pump(rated_voltage_v=115.0, rated_power_w=400.0, power_factor=0.8, rated_flow_l_per_min=100.0)
FIRST_S, SECOND_S = PAST_S + FIRST_MIN * 60.0, PAST_S + SECOND_MIN * 60.0
PAIRS = {
    "single": None,
    "idle": PairTruth(TRUE, PLATE, second_fails_s=0.0),
    "first": PairTruth(TRUE, PLATE, first_fails_s=FIRST_S),
    "both": PairTruth(TRUE, PLATE, first_fails_s=FIRST_S, second_fails_s=SECOND_S),
}


def described(site: Site) -> Site:
    """With the flow of the first pump as its plate says it."""
    pump = replace(site.pump, rated_flow_l_per_min=155.0)
    if not site.pumps:
        return replace(site, pump=pump)
    return replace(site, pump=pump, pumps=(NamedPump(site.pumps[0].id, pump), site.pumps[1]))


@dataclass
class Paired:
    """One of the houses: its topics begin with its id."""

    id: str
    live: LiveSite
    site: Site

    @classmethod
    def of(cls, site_id: str) -> Paired:
        scenario = Scenario(fail_after_s=PAST_S + FAILS_MIN * 60.0, outage_h=40.0, pair=PAIRS[site_id])
        live = LiveSite(seed=3, start_ms=START_MS, scenario=scenario)
        kept = [c for c in live.site.channels if c.quantity is not Quantity.RAIN_EXPECTED]
        channels = tuple(replace(c, topic=f"{site_id}/{c.topic}") for c in kept)
        site = replace(described(live.site), id=site_id, name=f"Larkspur Lane {site_id}", channels=channels)
        return cls(site_id, live, site)

    def until(self, minute: float) -> list[Message]:
        """What it sends until a minute after the past."""
        ahead_s = (PAST_H * 60.0 + minute) * 60.0 - (self.live.now_ms - START_MS) / 1000.0
        return [(m.at_ms, f"{self.id}/{m.topic}", m.payload) for m in self.live.step(ahead_s)]

    def lasts_h(self, minute: float) -> float:
        """From a minute after the past to the reserve [h]."""
        reserve_s = self.live._plan.house.outages[0].reserve_s
        assert reserve_s is not None
        return (reserve_s - PAST_S) / 3600.0 - minute / 60.0


@dataclass
class Outcome:
    """By site: its forecasts by minute, when its alarms were first seen, all of them at the end, and its page."""

    forecasts: dict[float, dict[str, dict[str, Any]]] = field(default_factory=dict)
    seen_min: dict[tuple[str, str], float] = field(default_factory=dict)
    alarms: list[dict[str, Any]] = field(default_factory=list)
    pages: dict[str, str] = field(default_factory=dict)
    houses: dict[str, Paired] = field(default_factory=dict)


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    root = tmp_path_factory.mktemp("pumps")
    folder, port, found = root / "lane", free_port(), Outcome()
    (folder / "sites").mkdir(parents=True)
    houses = [Paired.of(site_id) for site_id in PAIRS]
    found.houses = {house.id: house for house in houses}
    for house in houses:
        (folder / "sites" / f"{house.id}.toml").write_text(site_toml(house.site), encoding="utf-8")
    past = sorted((reading for house in houses for reading in told(house)), key=lambda reading: reading.time_ms)
    now_ms = START_MS + round(PAST_S * 1000.0)
    with running_mosquitto(root / "mosquitto") as broker:
        url, settings = broker.url, folder / "outlast.toml"
        settings.write_text(f'[broker]\nurl = "{url}"\n[http]\nport = {port}\n', encoding="utf-8")
        with lapsing(folder, broker, port, now_ms, past) as lapse:
            for step in range(1, round(END_MIN / STEP_MIN) + 1):
                minute = step * STEP_MIN
                lapse.go(now_ms + round(minute * 60_000), sorted(one for h in houses for one in h.until(minute)))
                found.alarms = lapse.client.get("/api/v1/alarms").json()["alarms"]
                for alarm in found.alarms:
                    found.seen_min.setdefault((alarm["site"], alarm["kind"]), minute)
                if minute in (FIRST_MIN - STEP_MIN, SECOND_MIN - STEP_MIN, END_MIN):
                    found.forecasts[minute] = forecasts(lapse.client)
            english = {"Accept-Language": "en"}
            found.pages = {house.id: lapse.client.get(f"/sites/{house.id}", headers=english).text for house in houses}
    return found


def told(house: Paired) -> list[Reading]:
    decoder = Decoder([house.site])
    return [r for at, topic, payload in house.until(0.0) for r in decoder.decode(topic, payload, at).readings]


def forecasts(client: httpx.Client) -> dict[str, dict[str, Any]]:
    return {name: client.get(f"/api/v1/sites/{name}/forecast").json() for name in PAIRS}


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
    true = outcome.houses["first"].lasts_h(SECOND_MIN) / outcome.houses["idle"].lasts_h(SECOND_MIN)
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
