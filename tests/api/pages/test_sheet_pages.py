"""The neighbour's sheet: what it says, who may make it, and the link of it that sees one house until the trip ends."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.testclient import TestClient

from api.cli import main
from api.http.keyring import guest_secret, new_guest, new_token
from api.process.services import Services
from collector.config.settings import Http
from forecaster.domain.site import Contact
from forecaster.domain.times import DAY_MS
from forecaster.texts.catalogue import languages, words
from forecaster.twin.live import larkspur_site
from tests.api.pagesample import Tags, form_token
from tests.api.serving import described, serving
from tests.scenario import HeldClock

OUTSIDE = Http(host="0.0.0.0", public_url="https://house.example")
SHEET = "/sites/larkspur/sheet"
OTHER = "elsewhere"
CODE = re.compile(r"[0-9a-f]{8}(?:-[2-9a-z]{4}){4}")
TRIP = {"leave": "2026-03-04", "back": "2026-03-10", "who": "Rosa", "where": "Key with number 7.", "call": "owner"}


@pytest.fixture
def house(tmp_path: Path) -> Iterator[tuple[TestClient, Services]]:
    """Two houses behind a login, seen by who operates the first."""
    with serving(tmp_path, http=OUTSIDE, beside=[replace(larkspur_site(), id=OTHER)]) as (client, services):
        people = (Contact("owner", phone="+1 555 0100"), Contact("aunt", phone="+1 555 0101"), Contact("hub"))
        services.installation.sites["larkspur"] = replace(larkspur_site(), contacts=people)
        described(tmp_path)
        secret = new_token(services.ledger, services.clock, "owner", "operate", None)[1]
        client.headers["authorization"] = f"Bearer {secret}"
        yield client, services


def made(client: TestClient, **more: str) -> str:
    """The sheet that the form gives."""
    page = client.get(SHEET)
    answer = client.post(SHEET, data={**TRIP, "form_token": form_token(page.text), **more})
    assert (answer.status_code, answer.headers["cache-control"]) == (200, "no-store")
    return answer.text


def guest(client: TestClient) -> TestClient:
    """Somebody else's browser at the same house."""
    return TestClient(client.app, base_url=str(client.base_url), raise_server_exceptions=False)


def move(services: Services, seconds: float) -> None:
    assert isinstance(services.clock, HeldClock)
    services.clock.move(seconds)


@pytest.mark.parametrize("code", languages())
def test_a_sheet_says_where_whom_what_first_and_what_never(house: tuple[TestClient, Services], code: str) -> None:
    client, _ = house
    client.headers["accept-language"] = code
    t, text = words(code), Tags(made(client)).text
    for key in (
        "first_dry",
        "never_water",
        "never_generator",
        "never_battery",
        "never_cord",
        "never_wiring",
        "without",
    ):
        assert t(f"sheet.{key}") in text
    for said in ("Key with number 7.", "+1 555 0100", "Rosa", "2026"):
        assert said in text
    assert "+1 555 0101" not in text  # not ticked
    assert CODE.search(text) is None  # no link was asked for
    assert "{" not in text


def test_the_link_of_a_sheet_sees_one_house_only_looks_and_ends_with_the_trip(
    house: tuple[TestClient, Services], caplog: pytest.LogCaptureFixture
) -> None:
    client, services = house
    found = CODE.search(made(client, link="yes"))
    assert found is not None
    code = found[0]
    rosa = guest(client)
    assert rosa.get("/sites/larkspur", follow_redirects=False).status_code == 303
    typed = f" {code[:13].upper()} {code[13:]} "
    entered = rosa.post("/look", data={"code": typed}, follow_redirects=False)
    assert (entered.status_code, entered.headers["location"]) == (303, "/sites/larkspur")
    assert rosa.get("/sites/larkspur").status_code == 200
    assert rosa.get(f"/sites/{OTHER}").status_code == 404
    assert rosa.get(f"/api/v1/sites/{OTHER}/forecast").status_code == 404
    assert rosa.get(SHEET).status_code == 403
    assert 'id="device"' not in rosa.get("/sites/larkspur").text
    last = "2026-03-11T05:59:00"  # the last minute of 10 March in Chicago, six hours behind UTC
    move(services, (1_773_208_740_000 - services.clock.now_ms()) / 1000.0)
    assert rosa.get("/sites/larkspur").status_code == 200, last
    move(services, 120.0)
    assert rosa.get("/sites/larkspur", follow_redirects=False).status_code == 303
    assert rosa.post("/look", data={"code": code}, follow_redirects=False).status_code == 401
    assert code[9:] not in caplog.text


def test_a_link_is_listed_and_ended_and_only_by_who_operates(house: tuple[TestClient, Services]) -> None:
    client, services = house
    code = CODE.search(made(client, link="yes"))
    assert code is not None
    rosa = guest(client)
    rosa.post("/look", data={"code": code[0]})
    page = client.get(SHEET).text
    assert "Rosa" in page
    assert code[0][9:] not in page
    refused = rosa.post(f"{SHEET}/revoke", data={"link": code[0][:8], "form_token": form_token(page)})
    assert refused.status_code == 403
    done = client.post(f"{SHEET}/revoke", data={"link": code[0][:8], "form_token": form_token(page)})
    assert done.status_code == 200
    assert words()("sheet.no_links") in client.get(SHEET).text
    assert rosa.get("/sites/larkspur", follow_redirects=False).status_code == 303
    own = next(token for token in services.ledger.tokens() if token.name == "owner")
    never = client.post(f"{SHEET}/revoke", data={"link": own.id, "form_token": form_token(page)})
    assert never.status_code == 404  # a token that does not end is no link of a sheet


def test_a_guest_is_told_of_nothing_and_opens_no_door(house: tuple[TestClient, Services]) -> None:
    client, services = house
    _, code = new_guest(services.ledger, services.clock, "Rosa", "larkspur", services.clock.now_ms() + DAY_MS)
    headers = {"authorization": f"Bearer {guest_secret(code)}"}
    wish = {"endpoint": "https://push.example/1", "keys": {"p256dh": "x", "auth": "y"}}
    assert guest(client).post("/api/v1/push/subscriptions", json=wish, headers=headers).status_code == 403
    assert guest(client).get("/api/v1/sites/larkspur", headers=headers).status_code == 200
    move(services, 86_400.0)
    assert guest(client).get("/api/v1/sites/larkspur", headers=headers).status_code == 401


@pytest.mark.parametrize(
    "days",
    [{"back": "2026-03-03"}, {"leave": "2026-02-01", "back": "2026-03-01"}, {"back": "2026-12-24"}, {"leave": "x"}],
)
def test_days_that_make_no_trip_get_one_clear_line(house: tuple[TestClient, Services], days: dict[str, str]) -> None:
    client, services = house
    before = len(services.ledger.tokens())
    form = {**TRIP, "link": "yes", "form_token": form_token(client.get(SHEET).text), **days}
    assert client.post(SHEET, data=form).status_code == 400
    assert len(services.ledger.tokens()) == before


def test_wrong_codes_must_wait(house: tuple[TestClient, Services]) -> None:
    rosa = guest(house[0])
    tried = [rosa.post("/look", data={"code": f"0000000{k}-2222-2222-2222-2222"}).status_code for k in range(6)]
    assert tried == [401] * 5 + [429]


def test_on_loopback_no_link_is_made(tmp_path: Path) -> None:
    """Whoever can open the pages there needs none, and nobody else can."""
    with serving(tmp_path) as (client, services):
        text = made(client, link="yes")
        assert CODE.search(text) is None
        assert services.ledger.tokens() == []


def test_the_command_line_makes_and_lists_a_token_that_ends(
    house: tuple[TestClient, Services], capsys: pytest.CaptureFixture[str]
) -> None:
    _, services = house
    folder = ["--config", str(services.installation.folder)]
    asked = ["token", "add", "sitter", "--site", "larkspur", "--until", "2026-03-10T12:00:00Z"]
    assert main([*asked, *folder]) == 0
    secret = capsys.readouterr().out.strip()
    assert services.keyring.token(secret) is not None
    assert main(["token", "list", *folder]) == 0
    assert "ends 2026-03-10T12:00:00Z" in capsys.readouterr().out
    move(services, 10 * 86_400.0)
    assert services.keyring.token(secret) is None


@given(st.text(max_size=60))
def test_what_is_no_code_is_none(text: str) -> None:
    found = guest_secret(text)
    assert found is None or CODE.fullmatch("".join(text.split()).lower()) is not None
