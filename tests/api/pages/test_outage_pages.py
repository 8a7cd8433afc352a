"""One outage told whole: its page, its report, outages side by side, the same over HTTP and on the command line."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.cli import main
from api.http.keyring import new_token
from api.http.routes.outage import OutageStoryOut
from api.process.services import Services
from forecaster.domain.alarms import AlarmTransition, TransitionKind
from forecaster.domain.quantities import Quantity
from forecaster.domain.records import Delivery
from forecaster.domain.runs import Outage
from forecaster.domain.times import DAY_MS, HOUR_MS, MINUTE_MS
from forecaster.texts.catalogue import languages, words
from tests.api.pagesample import Tags
from tests.api.serving import described, serving

SITE = "/sites/larkspur"
ROSA = "Rosa next door"


def outage_in(services: Services) -> Outage:
    """The outage of the record."""
    return next(outage for outage in services.ledger.outages("larkspur") if outage.end_ms is None)


def told(services: Services) -> Outage:
    """The outage of the record, told to two people, acknowledged, over since a while; the outage as it is kept."""
    now_ms = services.clock.now_ms()
    over = replace(outage_in(services), end_ms=now_ms - 5 * MINUTE_MS, lowest_charge_percent=90.0, energy_used_wh=88.0)
    alarm = services.ledger.alarms("larkspur")[0]
    seen = replace(
        alarm, acknowledged_ms=alarm.raised_ms + 9 * MINUTE_MS, acknowledged_by=ROSA, revision=alarm.revision + 1
    )
    messages = [
        Delivery(
            f"{alarm.id}:{who}", channel, "them@example.org", "larkspur", "{}", alarm.raised_ms, alarm.raised_ms,
            now_ms + DAY_MS, attempts=1, done_ms=done_ms, gave_up=done_ms is None, who=who, alarm_id=alarm.id,
        )
        for who, channel, done_ms in (("owner", "push", None), (ROSA, "mail", alarm.raised_ms + 20_000))
    ]  # fmt: skip
    change = AlarmTransition(seen, TransitionKind.ACKNOWLEDGED, seen.acknowledged_ms or 0)
    services.ledger.commit_transitions([change], messages, [])
    services.ledger.record([over])
    return over


@pytest.fixture
def held(tmp_path: Path) -> Iterator[tuple[TestClient, Services]]:
    with serving(tmp_path) as (client, services):
        described(tmp_path)
        yield client, services


@pytest.mark.parametrize("code", languages())
def test_a_story_has_its_parts_in_every_language(held: tuple[TestClient, Services], code: str) -> None:
    client, services = held
    outage, t = told(services), words(code)
    answer = client.get(f"{SITE}/outages/{outage.start_ms}", headers={"accept-language": code})
    assert answer.status_code == 200
    text = Tags(answer.text).text
    for key in ("strip", "facts", "timeline", "alarms", "people", "heard"):
        assert t(f"story.{key}") in text
    for said in (ROSA, t("story.back"), t("story.began"), t("channel.mail"), t.signs("90%"), "88 Wh"):
        assert said in text
    assert "{" not in text
    assert answer.text.count("<svg") >= 4  # strip and forecasts, each lying and standing


def test_it_is_linked_where_outages_are_listed(held: tuple[TestClient, Services]) -> None:
    client, services = held
    wanted = f'href="{SITE}/outages/{outage_in(services).start_ms}"'
    assert wanted in client.get(f"{SITE}/outages").text
    assert wanted in client.get(f"{SITE}/history").text


def test_two_outages_stand_side_by_side_and_one_is_refused_in_a_line(held: tuple[TestClient, Services]) -> None:
    client, services = held
    outage = told(services)
    before = Outage("larkspur", outage.start_ms - 2 * HOUR_MS, outage.start_ms - HOUR_MS, False, 100.0, 98.0, 20.0)
    services.ledger.record([before])
    asked = "&".join(f"outage={one.start_ms}" for one in (outage, before))
    page = Tags(client.get(f"{SITE}/outages/compare?{asked}").text)
    assert "88 Wh" in page.text
    assert "20 Wh" in page.text
    assert sum(tag == "th" and values.get("scope") == "col" for tag, values in page.tags) == 3
    for few in (f"outage={outage.start_ms}", "", "outage=1&outage=2&outage=3&outage=4&outage=5"):
        refused = client.get(f"{SITE}/outages/compare?{few}")
        assert refused.status_code == 400
        assert words()("story.compare_few", most=4) in refused.text


@pytest.mark.parametrize("tail", ["1", "999999999999999", "nothing", "1/report", "-3"])
def test_an_outage_that_never_was_is_a_page_that_says_so(held: tuple[TestClient, Services], tail: str) -> None:
    client, _ = held
    assert client.get(f"{SITE}/outages/{tail}").status_code == 404


def test_the_document_adds_up_with_what_the_ledger_holds(held: tuple[TestClient, Services]) -> None:
    client, services = held
    outage = told(services)
    path = f"/api/v1{SITE}/outages/{outage.start_ms}"
    answer = client.get(path)
    story = OutageStoryOut.model_validate(answer.json())
    assert story.lasted_h == pytest.approx(((outage.end_ms or 0) - outage.start_ms) / HOUR_MS)
    assert story.energy.out_wh == 88.0
    runs = services.ledger.runs("larkspur", outage.start_ms, outage.end_ms or 0, 1000).runs
    assert story.water.runs == len(runs) > 10
    assert story.energy.pump_wh == pytest.approx(sum(run.energy_wh or 0.0 for run in runs))
    assert {(one.who, one.outcome) for one in story.alarms[0].told} == {("owner", "failed"), (ROSA, "told")}
    assert story.alarms[0].acknowledged_by == ROSA
    heard = {one.quantity: one for one in story.channels}
    assert (
        heard["pack_charge"].readings
        == services.store.series("larkspur", Quantity.PACK_CHARGE, outage.start_ms, outage.end_ms or 0, 1)[0].count
    )
    assert client.get(path, headers={"if-none-match": answer.headers["etag"]}).status_code == 304
    assert client.get(f"/api/v1{SITE}/outages/latest").json() == answer.json()
    assert client.get(f"/api/v1{SITE}/outages").json()["outages"][0]["id"] == str(outage.start_ms)


@pytest.mark.parametrize(("scope", "named"), [("read", False), ("operate", True)])
def test_people_are_named_to_those_alone_who_may_operate(tmp_path: Path, scope: Any, named: bool) -> None:
    with serving(tmp_path, host="0.0.0.0") as (client, services):
        outage = told(services)
        secret = new_token(services.ledger, services.clock, "someone", scope, "larkspur")[1]
        client.headers["authorization"] = f"Bearer {secret}"
        for path in (f"{SITE}/outages/{outage.start_ms}", f"{SITE}/outages/{outage.start_ms}/report",
                     f"/api/v1{SITE}/outages/{outage.start_ms}"):  # fmt: skip
            said = client.get(path).text
            assert (ROSA in said) is named, path
            assert "example.org" not in said
        assert (words()("story.masked") in client.get(f"{SITE}/outages/{outage.start_ms}").text) is not named


def test_the_command_line_tells_the_same(held: tuple[TestClient, Services], capsys: pytest.CaptureFixture[str]) -> None:
    client, services = held
    outage = told(services)
    folder = ["--config", str(services.installation.folder)]
    inside = f"{client.get(f'/api/v1{SITE}/outages/latest').json()['outage']['start']}"
    for which in ("latest", str(outage.start_ms), inside):
        assert main(["report", "larkspur", "--outage", which, "--json", *folder]) == 0
        story = json.loads(capsys.readouterr().out)
        assert story["outage"]["id"] == str(outage.start_ms)
        assert ROSA not in json.dumps(story)
    assert main(["report", "larkspur", "--outage", "latest", *folder]) == 0
    text = capsys.readouterr().out
    assert words()("story.back") in text
    assert "CST" in text
    assert main(["report", "larkspur", "--outage", "2001-01-01T00:00:00Z", *folder]) == 2
    assert main(["report", "--outage", "latest", *folder]) == 2
    assert "name the site" in capsys.readouterr().err
