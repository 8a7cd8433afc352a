"""Changed limits tried on the stored readings: on the page, on the command line, and within a bounded time."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from itertools import count
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from api.cli import main
from api.offline import replayedyear
from api.offline.replayedyear import Raised, YearReplay
from api.process import yeartrials
from api.process.services import Services
from forecaster.domain.alarms import AlarmKind
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Outage
from forecaster.domain.times import DAY_MS, HOUR_MS, MINUTE_MS
from forecaster.twin.live import larkspur_site
from tests.api.pages.test_edit_pages import EDIT, ENGLISH, filled
from tests.api.serving import described, serving

SITE = larkspur_site()
ALWAYS, NEVER = (replace(SITE.alarms, low_reserve_h=hours, critical_reserve_h=0.01) for hours in (300.0, 0.02))
"""A limit above every range of the scenario, and one below."""


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[TestClient, Services, Path]]:
    """Four hours of record, the last of them an outage that lasts."""
    folder = tmp_path_factory.mktemp("year")
    with serving(folder) as (client, services):
        described(folder)
        yield client, services, folder


@pytest.fixture(scope="module")
def outage(house: tuple[TestClient, Services, Path]) -> Outage:
    return next(one for one in house[1].ledger.outages(SITE.id) if one.end_ms is None)


def _nothing(_: int) -> None: ...


def _of(kind: AlarmKind, raised: list[Raised]) -> list[Raised]:
    return [one for one in raised if one.alarm.kind is kind]


def test_the_rules_are_tried_on_stored_readings(house: tuple[TestClient, Services, Path], outage: Outage) -> None:
    """Held against the outage of the ledger. Mains lost: minutes after it; the reserve: by one of the limits alone."""
    _, services, _ = house
    work = YearReplay(SITE, services.store, (ALWAYS, NEVER), services.clock.now_ms())
    work.run(_nothing)
    always, never = (work.raised(said) for said in work.said)
    for raised in (always, never):
        (lost,) = _of(AlarmKind.MAINS_LOST, raised)
        assert 0 <= lost.alarm.raised_ms - outage.start_ms <= 2 * MINUTE_MS
        assert lost.cleared_ms is None
    (low,) = _of(AlarmKind.LOW_RESERVE, always)
    assert 0 <= low.alarm.raised_ms - outage.start_ms <= 6 * MINUTE_MS
    assert not _of(AlarmKind.LOW_RESERVE, never)
    assert work.whole
    ahead = services.store.series(SITE.id, Quantity.RAIN_EXPECTED, 0, services.clock.now_ms() + 30 * DAY_MS)
    assert work.readings == services.store.count(SITE.id) - len(ahead)


def test_a_discharge_test_is_no_alarm_of_the_year(house: tuple[TestClient, Services, Path], outage: Outage) -> None:
    _, services, _ = house
    pulled = DischargeTest("t", SITE.id, outage.start_ms, "owner", pulled_ms=outage.start_ms - MINUTE_MS)
    work = YearReplay(SITE, services.store, (NEVER,), services.clock.now_ms(), (pulled,))
    work.run(_nothing)
    assert not _of(AlarmKind.MAINS_LOST, work.raised(work.said[0]))


def test_only_the_last_year_counts(house: tuple[TestClient, Services, Path], outage: Outage) -> None:
    """In: the record with its count from the outage on, then from after it. Out: its alarms, then none."""
    _, services, _ = house
    work = YearReplay(SITE, services.store, (ALWAYS,), services.clock.now_ms())
    work.run(_nothing)
    assert work.raised(work.said[0])
    work.counted_ms = outage.start_ms + HOUR_MS
    assert work.raised(work.said[0]) == []


def test_what_would_take_too_long_begins_later_and_says_so(
    house: tuple[TestClient, Services, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """In: half hours that take ten seconds each, and a minute. Out: under two hours of the four, said not to be all."""
    _, services, _ = house
    monkeypatch.setattr(replayedyear, "PIECE_MS", HOUR_MS // 2)
    told = count(0, 10)
    work = YearReplay(
        SITE, services.store, (ALWAYS,), services.clock.now_ms(), budget_s=60.0, clock=lambda: float(next(told))
    )
    work.run(_nothing)
    assert not work.whole
    assert work.start_ms is not None
    assert 0 < services.clock.now_ms() - work.start_ms <= 2 * HOUR_MS


@pytest.mark.slow
def test_the_page_tries_changed_limits_on_the_year_and_saves_from_there(
    house: tuple[TestClient, Services, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    client, services, folder = house
    monkeypatch.setattr(yeartrials, "GENTLE", 0)  # others need the machine too, and the test waits
    form = filled(client.get(f"{EDIT}/limits").text) | {"alarms.low_reserve_h": "300", "do": "year"}
    began = client.post(f"{EDIT}/limits", data=form, headers=ENGLISH, follow_redirects=False)
    assert began.status_code == 303, began.text
    where = began.headers["location"]
    stamp = where.partition("of=")[2]
    other = client.post(f"{EDIT}/limits", data=form | {"alarms.low_reserve_h": "200"}, headers=ENGLISH)
    assert (other.status_code, "being tried" in other.text) == (409, True)
    first = client.get(where, headers=ENGLISH).text
    assert "gone through" in first
    assert '<meta http-equiv="refresh"' in first
    services.trials.trial("larkspur", stamp).child.wait(timeout=300)
    said = html.unescape(client.get(where, headers=ENGLISH).text)
    assert "not a year" in said
    row = re.search(r'<tr class="differs"><th scope="row">Reserve getting low</th>(.*?)</tr>', said, re.DOTALL)
    assert row is not None, said
    assert [int(number) for number in re.findall(r"<b>(\d+)</b>", row[1])] == [0, 1]
    saved = client.post(f"{EDIT}/limits", data=filled(said) | {"do": "save"}, headers=ENGLISH, follow_redirects=False)
    assert saved.status_code == 303, saved.text
    assert "low_reserve_h = 300" in (folder / "sites" / "larkspur.toml").read_text()
    assert client.get(f"{EDIT}/limits/year?of=beef", headers=ENGLISH).status_code == 404


def test_the_command_line_tries_limits_on_what_is_stored(
    house: tuple[TestClient, Services, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    _, _, folder = house
    site = folder / "sites" / "larkspur.toml"
    asked = ["alarms", "preview", "--site", str(site), "--limit", "low-reserve=300", "--config", str(folder)]
    assert main([*asked, "--record", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [one["kind"] for one in found["alarms"][1]].count("low-reserve") == 1
    assert datetime.fromisoformat(found["from"]) < datetime.fromisoformat(found["alarms"][1][0]["raised"])
    assert main(asked) == 2
    assert "--record" in capsys.readouterr().err
