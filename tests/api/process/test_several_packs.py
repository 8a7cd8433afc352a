"""Two packs in one house, live: one process, a real broker, and three houses with the same water in the same outage.

One has a single pack, one has two side by side of which one trips, one has two that carry in turn.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import httpx
import pytest

from collector.config.site_file import site_toml
from collector.decode.payload import Decoder
from forecaster.domain.readings import Reading
from forecaster.domain.site import Arrangement, Site
from forecaster.twin.bank import BankTruth
from forecaster.twin.live import LiveSite, Scenario
from tests.api.process.lapse import Message, lapsing
from tests.engines import free_port
from tests.servers import running_mosquitto

START_MS = 1_772_500_000_000
PAST_H, FAILS_MIN, TRIPS_MIN, END_MIN, STEP_MIN = 12.0, 3.0, 21.0, 48.0, 1.5
FAIL_S = PAST_H * 3600.0 + FAILS_MIN * 60.0
BANKS = {
    "single": None,
    "beside": BankTruth(
        {"left": 0.5, "right": 0.5}, Arrangement.PARALLEL, ("right", PAST_H * 3600.0 + TRIPS_MIN * 60.0)
    ),
    "turns": BankTruth({"left": 0.6, "right": 0.4}, Arrangement.IN_TURN),
}


@dataclass
class Packed:
    """One of the houses: its topics begin with its id."""

    id: str
    live: LiveSite
    site: Site

    def until(self, minute: float) -> list[Message]:
        """What it sends until a minute after the past."""
        ahead_s = (PAST_H * 60.0 + minute) * 60.0 - (self.live.now_ms - START_MS) / 1000.0
        return [(m.at_ms, f"{self.id}/{m.topic}", m.payload) for m in self.live.step(ahead_s)]


def packed(site_id: str) -> Packed:
    live = LiveSite(seed=3, start_ms=START_MS, scenario=Scenario(fail_after_s=FAIL_S, bank=BANKS[site_id]))
    channels = tuple(replace(c, topic=f"{site_id}/{c.topic}") for c in live.site.channels)
    return Packed(site_id, live, replace(live.site, id=site_id, name=f"Larkspur Lane {site_id}", channels=channels))


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
    root = tmp_path_factory.mktemp("packs")
    folder, port, found = root / "lane", free_port(), Outcome()
    (folder / "sites").mkdir(parents=True)
    houses = [packed(site_id) for site_id in BANKS]
    for house in houses:
        (folder / "sites" / f"{house.id}.toml").write_text(site_toml(house.site), encoding="utf-8")
    past = sorted((reading for house in houses for reading in told(house)), key=lambda reading: reading.time_ms)
    now_ms = START_MS + round(PAST_H * 3_600_000)
    with running_mosquitto(root / "mosquitto") as broker:
        url, settings = broker.url, folder / "outlast.toml"
        settings.write_text(f'[broker]\nurl = "{url}"\n[http]\nport = {port}\n', encoding="utf-8")
        with lapsing(folder, broker, port, now_ms, past) as lapse:
            for step in range(1, round(END_MIN / STEP_MIN) + 1):
                minute = step * STEP_MIN
                lapse.go(now_ms + round(minute * 60_000), sorted(one for h in houses for one in h.until(minute)))
                if minute == TRIPS_MIN - STEP_MIN:
                    found.before = forecasts(lapse.client)
            found.after = forecasts(lapse.client)
            found.alarms = lapse.client.get("/api/v1/alarms").json()["alarms"]
            english = {"Accept-Language": "en"}
            found.pages = {house.id: lapse.client.get(f"/sites/{house.id}", headers=english).text for house in houses}
            found.site = lapse.client.get("/api/v1/sites/beside").json()
    return found


def told(house: Packed) -> list[Reading]:
    decoder = Decoder([house.site])
    return [r for at, topic, payload in house.until(0.0) for r in decoder.decode(topic, payload, at).readings]


def forecasts(client: httpx.Client) -> dict[str, dict[str, Any]]:
    return {name: client.get(f"/api/v1/sites/{name}/forecast").json() for name in BANKS}


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
