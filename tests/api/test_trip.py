"""`outlast trip`, GET /trip and the page: one answer, in the promised shape, from the record as it stands."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from shutil import copytree
from typing import Any

import msgspec
import numpy as np
import pytest
from fastapi.testclient import TestClient

from api.cli import main
from api.commands import trip as trip_command
from api.http.app import create_app
from api.process.services import Services
from collector.config.site_file import site_toml
from forecaster.domain.runs import Outage
from forecaster.domain.site import Contact, RainTable, Site
from forecaster.domain.times import DAY_MS, HOUR_MS, YEAR_DAYS
from forecaster.engine.document import time_text
from forecaster.health.season import study_season
from forecaster.health.storm import study_storm
from forecaster.health.studying import study_health
from forecaster.health.told import STORM, health_told
from forecaster.trip.answering import answer_trip, whole_days_ms
from forecaster.trip.gathering import gather
from forecaster.twin.live import larkspur_site
from tests.api.pagesample import client
from tests.api.serving import LOOPBACK, serving
from tests.forecaster.health.world import START_MS, Sampling, Truth, record
from tests.scenario import HeldClock, services

DAYS = 150
NOW_MS = START_MS + DAYS * DAY_MS
LEAVE, BACK = time_text(NOW_MS + DAY_MS), time_text(NOW_MS + 11 * DAY_MS)
TRIP = f"/api/v1/sites/larkspur/trip?leave={LEAVE}&back={BACK}"

SITE: Site = replace(
    larkspur_site(),
    contacts=(
        Contact("owner", email="owner@example.org", hours_to_reach=0.5),
        Contact("neighbour", email="neighbour@example.org", hours_to_reach=1.5),
    ),
)


@pytest.fixture(scope="module")
def five_months(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Larkspur Lane after five months, studied, with two outages of its own."""
    folder = tmp_path_factory.mktemp("trip")
    (folder / "outlast.toml").write_text("", encoding="utf-8")
    (folder / "sites").mkdir()
    (folder / "sites" / "larkspur.toml").write_text(site_toml(SITE), encoding="utf-8")
    made = services(folder, {"larkspur": SITE}, clock=HeldClock(NOW_MS))
    made.ledger.save_days(record(Truth(), Sampling.ON_CHANGE, DAYS, np.random.default_rng(5)))
    made.ledger.record([_outage(30, 2.0), _outage(90, 7.0), _outage(120, 0.02)])
    for study in (study_health, study_storm, study_season):
        study(SITE, made.ledger, NOW_MS)
    made.close()
    return folder


@pytest.fixture
def held(tmp_path: Path, five_months: Path) -> Iterator[Services]:
    """A copy of it for each test."""
    copytree(five_months, tmp_path, dirs_exist_ok=True)
    made = services(tmp_path, {"larkspur": SITE}, clock=HeldClock(NOW_MS))
    yield made
    made.close()


def _outage(day: int, hours: float) -> Outage:
    start_ms = START_MS + day * DAY_MS
    return Outage("larkspur", start_ms, start_ms + round(hours * HOUR_MS), False, 100.0, 80.0, 150.0)


@pytest.fixture(autouse=True)
def now(monkeypatch: pytest.MonkeyPatch) -> None:
    """The command asks the system's clock, which stands at the end of the record here."""
    monkeypatch.setattr(trip_command, "SystemClock", lambda: HeldClock(NOW_MS))


def asked(held: Services, *more: str) -> tuple[str, ...]:
    folder = str(held.installation.folder)
    return ("trip", "larkspur", "--leave", LEAVE, "--back", BACK, "--config", folder, *more)


def document(held: Services, capsys: pytest.CaptureFixture[str], *more: str) -> dict[str, Any]:
    assert main(asked(held, "--json", *more)) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_the_shape_is_the_promised_one(held: Services, capsys: pytest.CaptureFixture[str]) -> None:
    found = document(held, capsys)
    assert (found["site"], found["leave"], found["back"]) == ("larkspur", LEAVE, BACK)
    chance = found["chance_wet_floor"]
    assert 0.0 < chance["p10"] <= chance["p50"] <= chance["p90"] < 1.0
    assert sum(cause["share"] for cause in found["causes"]) == pytest.approx(1.0, abs=1e-9)
    assert {cause["cause"] for cause in found["causes"]} == {"outage", "pump", "inflow", "pack", "unheard"}
    assert found["helps"]
    for one in found["helps"]:
        assert {"p10", "p50", "p90"} <= set(one["chance_wet_floor"])
        assert one["chance_wet_floor"]["mean"] <= chance["mean"]
    assert "live" in found["cautions"][0]
    assert any("generator outdoors" in line for line in found["cautions"])
    assert any("licensed" in line for line in found["cautions"])


def test_under_a_year_of_record_is_said_first(held: Services, capsys: pytest.CaptureFixture[str]) -> None:
    found = document(held, capsys)
    assert found["says"].startswith("Under a year of record (150 days)")
    assert found["rests_on"][0].startswith("Under a year of record (150 days)")
    assert found["rests_on"][1].startswith("2 outages in 0.4 years of your own")
    assert main(asked(held)) == 0
    told = capsys.readouterr().out
    assert told.startswith("Under a year of record (150 days)")
    assert "What helps most" in told


def test_http_tells_the_same_and_again_the_same(held: Services, capsys: pytest.CaptureFixture[str]) -> None:
    with TestClient(create_app(held), base_url=LOOPBACK) as asking:
        answer = asking.get(TRIP)
        assert answer.status_code == 200
        assert answer.json() == document(held, capsys) == asking.get(TRIP).json()
        assert "neighbour@" not in answer.text
        assert "owner" not in answer.text


@pytest.mark.parametrize(
    ("leave", "back"),
    [
        (BACK, LEAVE),
        (LEAVE, LEAVE),
        (time_text(NOW_MS - 9 * DAY_MS), time_text(NOW_MS - DAY_MS)),
        (LEAVE, time_text(NOW_MS + 300 * DAY_MS)),
        (time_text(NOW_MS + 500 * DAY_MS), time_text(NOW_MS + 510 * DAY_MS)),
        ("tomorrow", BACK),
        ("2026-09-01T10:00:00", BACK),
    ],
)
def test_what_is_no_trip_is_refused_in_one_line(
    held: Services, capsys: pytest.CaptureFixture[str], leave: str, back: str
) -> None:
    folder = str(held.installation.folder)
    assert main(("trip", "larkspur", "--leave", leave, "--back", back, "--config", folder)) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
    with TestClient(create_app(held), base_url=LOOPBACK) as asking:
        answer = asking.get(f"/api/v1/sites/larkspur/trip?leave={leave}&back={back}")
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"


def test_who_is_away_cannot_come(held: Services, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a name the first contact is on the trip, and that is said; each more who leaves raises the chance."""
    usual = document(held, capsys)
    assert "The first contact of the site file is taken to be on the trip." in usual["rests_on"]
    nobody = document(held, capsys, "--away", "")
    both = document(held, capsys, "--away", "owner", "--away", "neighbour")
    assert any(line.startswith("2 people who can come, the soonest within 0.5 h") for line in nobody["rests_on"])
    assert any(line.startswith("Nobody with hours_to_reach") for line in both["rests_on"])
    means = [found["chance_wet_floor"]["mean"] for found in (nobody, usual, both)]
    assert means == sorted(means)
    assert means[0] < means[2]
    assert main(asked(held, "--away", "nobody-known")) == 2
    assert "nobody-known" in capsys.readouterr().err


def test_what_is_past_of_the_trip_does_not_count(held: Services) -> None:
    back_ms = NOW_MS + 5 * DAY_MS
    whole = answer_trip(SITE, held.ledger, NOW_MS, NOW_MS - 20 * DAY_MS, back_ms)
    rest = answer_trip(SITE, held.ledger, NOW_MS, NOW_MS, back_ms)
    assert np.array_equal(whole.floor.chance, rest.floor.chance)


def test_the_house_is_gathered_from_its_record(held: Services) -> None:
    """A flicker of a minute is no outage; the pack carried all three; the studies give season, storms and freeboard."""
    house = gather(SITE, held.ledger, NOW_MS).house
    assert house.outages.hours == pytest.approx((7.0, 2.0))
    assert house.outages.years == pytest.approx(DAYS / YEAR_DAYS)
    assert (house.pack.carried, house.pack.failed) == (3, 0)
    assert house.pack.proven_days == pytest.approx(30.0)
    assert house.season is not None
    assert house.storms is not None
    assert house.freeboard_min is not None
    assert house.reach_h == (1.5,)
    assert house.heard == pytest.approx(1.0)


def test_storms_are_those_of_the_rain_table_where_the_study_could_use_it(held: Services) -> None:
    """A table whose ten-year hour brings twice the pump's rate raises the inflow's share, and the answer says so."""
    kept = held.ledger.study("larkspur", STORM)
    assert kept is not None
    levels = {"years": [2.0, 10.0], "levels": [[1.2] * 200, [2.0] * 200]}
    document = msgspec.json.decode(kept.document) | {"table_draws": levels}
    before = answer_trip(SITE, held.ledger, NOW_MS, NOW_MS, NOW_MS + 20 * DAY_MS)
    held.ledger.save_study(replace(kept, document=msgspec.json.encode(document).decode()))
    table = RainTable((2.0, 10.0), (1.0, 6.0), ((30.0, 45.0), (50.0, 80.0)))
    after = answer_trip(replace(SITE, rain_table=table), held.ledger, NOW_MS, NOW_MS, NOW_MS + 20 * DAY_MS)
    assert after.floor.causes["inflow"].mean() > before.floor.causes["inflow"].mean()
    assert "by the worst hours on record" in " ".join(before.rests_on)
    assert "by your rain table" in " ".join(after.rests_on)
    assert "table_draws" not in str(health_told(held.ledger, "larkspur"))
    stamped = document | {"table_stamp": replace(table, hours=(1.0, 12.0)).stamp}
    for site, found in ((SITE, document), (replace(SITE, rain_table=table), stamped)):  # taken out, or changed, since
        held.ledger.save_study(replace(kept, document=msgspec.json.encode(found).decode()))
        since = answer_trip(site, held.ledger, NOW_MS, NOW_MS, NOW_MS + 20 * DAY_MS)
        assert since.rests_on == before.rests_on


def test_a_house_of_which_nothing_is_known_has_an_answer_that_says_so(tmp_path: Path) -> None:
    bare = replace(SITE, pit=replace(SITE.pit, freeboard_m=None), contacts=())
    made = services(tmp_path, {"larkspur": bare}, clock=HeldClock(NOW_MS))
    found = answer_trip(bare, made.ledger, NOW_MS, NOW_MS, NOW_MS + 9 * DAY_MS).document()
    made.close()
    said = " ".join(found["rests_on"])
    for part in ("0 days", "No season is on record", "a guess", "by the site file alone", "never seen to carry",
                 "freeboard in litres is not known", "Nobody with hours_to_reach"):  # fmt: skip
        assert part in said
    assert found["chance_wet_floor"]["p90"] > found["chance_wet_floor"]["p10"] > 0.0


@pytest.mark.parametrize(
    ("language", "texts"),
    [
        ("en", ("Will it stay dry?", "The chance that the floor gets wet", "a second pump with a float of its own",
                "Under a year of record")),
        ("es", ("¿Seguirá seco?", "La probabilidad de que el suelo se moje", "una segunda bomba con su propio flotador",
                "Menos de un año de registro")),
    ],
)  # fmt: skip
def test_the_page_takes_two_days_and_answers_without_a_script(
    held: Services, language: str, texts: tuple[str, ...]
) -> None:
    pages = client(held)
    empty = pages.get("/sites/larkspur/trip", {"Accept-Language": language}).text
    assert empty.count('type="date"') == 2
    assert texts[0] in empty
    assert texts[1] not in empty.replace("get wet meanwhile", "")
    answered = pages.get("/sites/larkspur/trip?leave=2026-08-01&back=2026-08-08", {"Accept-Language": language}).text
    for text in texts:
        assert text in answered
    assert 'value="2026-08-01"' in answered


@pytest.mark.parametrize("query", ["leave=2026-08-09&back=2026-08-01", "leave=x&back=2026-08-01",
                                   "leave=0001-01-01&back=9999-12-31"])  # fmt: skip
def test_days_that_make_no_trip_are_a_page_that_says_so(held: Services, query: str) -> None:
    answer = client(held).get(f"/sites/larkspur/trip?{query}")
    assert answer.status_code == 400


def test_a_house_on_the_pack_without_a_long_record(tmp_path: Path) -> None:
    """Larkspur Lane some hours into an outage: its pump's rate is the forecast's, and the outage that lasts is told."""
    with serving(tmp_path) as (_, held):
        told = answer_trip(larkspur_site(), held.ledger, now := held.clock.now_ms(), now + DAY_MS, now + 9 * DAY_MS)
        (stored,) = held.ledger.newest(["larkspur"]).values()
    rate = json.loads(stored.document)["water"]["pump_rate_l_per_min"]
    pit = larkspur_site().pit
    assert rate > 0.0
    assert pit.area_m2 is not None
    assert pit.freeboard_m is not None
    text = " ".join(map(str, told.rests_on))
    assert "freeboard in litres is not known" not in text
    assert "The pack carries the pump now" in text
    assert "days ago" not in text


def test_a_silent_house_is_said_to_be_silent(tmp_path: Path) -> None:
    """Three days after its last reading the answer begins with the silence; while it is heard it does not."""
    with serving(tmp_path) as (_, held):
        now = held.clock.now_ms()
        heard, silent = (
            str(answer_trip(larkspur_site(), held.ledger, at, at + DAY_MS, at + 9 * DAY_MS).says)
            for at in (now, now + 3 * DAY_MS)
        )
    assert "Nothing was heard" not in heard
    assert silent.startswith("Nothing was heard of the house for 72 h")


def test_days_without_a_time_last_from_morning_to_night(held: Services, capsys: pytest.CaptureFixture[str]) -> None:
    """In: two days, as on the page. Out: from midnight to midnight in Chicago; a day that is none is refused."""
    folder = str(held.installation.folder)
    first, last = (time_text(NOW_MS + days * DAY_MS)[:10] for days in (1, 11))
    assert main(["trip", "larkspur", "--leave", first, "--back", last, "--config", folder, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    leave_ms, back_ms = whole_days_ms(SITE, date.fromisoformat(first), date.fromisoformat(last))
    assert (told["leave"], told["back"]) == (time_text(leave_ms), time_text(back_ms))
    assert told["leave"][11:] in {"05:00:00Z", "06:00:00Z"}
    assert main(["trip", "larkspur", "--leave", "2026-02-30", "--back", last, "--config", folder]) == 2
    assert "'2026-02-30' is not a day" in capsys.readouterr().err
