"""A site's calendar, read by an independent library, and the links that open it and nothing else."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path

import msgspec
import pytest
from icalendar import Calendar, Component
from starlette.testclient import TestClient

from api.cli import main
from api.http.app import create_app
from api.http.keyring import Rights, new_token
from api.process.services import Services
from collector.config.settings import Http, site_toml
from forecaster.domain.longrecord import StudyRecord
from forecaster.twin.live import larkspur_site
from tests.api.serving import serving
from tests.scenario import NOW_MS, services

SITE = larkspur_site()
PATH = "/api/v1/sites/larkspur/calendar.ics"


@pytest.fixture
def outside(tmp_path: Path) -> Iterator[tuple[TestClient, Services]]:
    with serving(tmp_path, host="0.0.0.0") as made:
        yield made


def bearer(services: Services, scope: str, site: str | None = None) -> dict[str, str]:
    rights: Rights = "operate" if scope == "operate" else "read"
    return {"Authorization": f"Bearer {new_token(services.ledger, services.clock, scope, rights, site)[1]}"}


def events(text: str) -> dict[str, Component]:
    """The events of a calendar by the end of their summary."""
    return {str(event["SUMMARY"]).partition(": ")[2]: event for event in Calendar.from_ical(text).walk("VEVENT")}


def test_the_reserve_stands_in_the_calendar_while_the_pack_carries(outside: tuple[TestClient, Services]) -> None:
    client, services = outside
    asker = bearer(services, "read")
    answer = client.get(PATH, headers=asker)
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    event = events(answer.text)["the pack may reach its reserve"]
    at = client.get("/api/v1/sites/larkspur/forecast", headers=asker).json()["reserve_at"]
    assert event.decoded("DTSTART") == datetime.fromisoformat(at["p10"]).replace(microsecond=0)
    assert event.decoded("DTEND") == datetime.fromisoformat(at["p90"]).replace(microsecond=0)
    assert (str(event["STATUS"]), str(event["TRANSP"])) == ("TENTATIVE", "TRANSPARENT")
    assert event.decoded("DTSTAMP") == datetime.fromtimestamp(NOW_MS // 1000, UTC)
    again = events(client.get(PATH, headers=asker).text)["the pack may reach its reserve"]
    assert again["UID"] == event["UID"]


def test_work_is_due_before_a_part_may_fall_short(outside: tuple[TestClient, Services]) -> None:
    """In: a study whose pump falls short between July and November, on a day that is still 2 July in Chicago."""
    client, services = outside
    quantiles = {"p10": "2026-07-03T04:00:00Z", "p50": "2026-09-01T00:00:00Z", "p90": "2026-11-01T00:00:00Z"}
    part = {"part": "pump-flow", "state": "watch", "predicted": quantiles, "says": "It lifts less.", "do": "Clean it."}
    steady = {"part": "float", "state": "good", "predicted": None, "says": "", "do": ""}
    document = msgspec.json.encode({"parts": [part, steady]}).decode()
    services.ledger.save_study(StudyRecord("larkspur", "health", NOW_MS, NOW_MS, document))
    found = events(client.get(PATH, headers=bearer(services, "read")).text)
    event = found["look after: the pump's flow"]
    assert event.decoded("DTSTART") == date(2026, 7, 2)
    assert str(event["DESCRIPTION"]) == "It lifts less. Clean it."
    assert len(found) == 2


def test_a_link_opens_its_own_calendar_and_nothing_else(outside: tuple[TestClient, Services]) -> None:
    client, services = outside
    operator = bearer(services, "operate")
    links = "/api/v1/sites/larkspur/calendar-links"
    assert client.post(links, json={"name": "phone"}, headers=bearer(services, "read")).status_code == 403
    made = client.post(links, json={"name": "phone"}, headers=operator)
    assert made.status_code == 201
    url = made.json()["url"]
    assert url.startswith(f"{str(client.base_url).rstrip('/')}/calendar/")
    assert events(client.get(url).text)
    secret = url.rpartition("/")[2].removesuffix(".ics")
    assert client.get(PATH, headers={"Authorization": f"Bearer {secret}"}).status_code == 401
    assert client.post("/login", data={"token": secret}, follow_redirects=False).status_code == 401
    [listed] = client.get(links, headers=operator).json()["links"]
    assert (listed["id"], listed["name"]) == (made.json()["id"], "phone")
    assert secret not in str(listed)
    assert client.delete(f"{links}/{listed['id']}", headers=operator).status_code == 204
    assert client.get(url).status_code == 404
    assert client.delete(f"{links}/{listed['id']}", headers=operator).status_code == 404


@pytest.mark.parametrize(
    ("http", "asked_at", "base"),
    [
        (Http(), "http://127.0.0.1:8642", "http://127.0.0.1:8642"),
        (Http(), "http://localhost:9642", "http://localhost:9642"),
        (Http(public_url="https://cellar.example.org/"), "http://127.0.0.1:8642", "https://cellar.example.org"),
        (Http(hosts=("cellar.example.org",)), "https://cellar.example.org", "https://cellar.example.org"),
    ],
    ids=["loopback", "tunnel", "public", "proxy"],
)
def test_a_link_is_a_whole_address(tmp_path: Path, http: Http, asked_at: str, base: str) -> None:
    """A calendar takes only those (RFC 3986 section 4.3). A Host that is not ours is refused, and goes into none."""
    with closing(services(tmp_path, {SITE.id: SITE}, http=http)) as held:
        _, secret = new_token(held.ledger, held.clock, "owner", "operate", None)
        client = TestClient(create_app(held), base_url=asked_at, headers={"Authorization": f"Bearer {secret}"})
        links = "/api/v1/sites/larkspur/calendar-links"
        assert client.post(links, json={"name": "phone"}).json()["url"].startswith(f"{base}/calendar/outlast_")
        answer = client.post(links, json={"name": "phone"}, headers={"Host": "evil.example.org"})
        assert (answer.status_code, "evil" in answer.text) == (421, False)


@pytest.mark.parametrize(
    ("http", "base"),
    [
        ("", "http://127.0.0.1:8642"),
        ('host = "0.0.0.0"\nport = 80', "http://127.0.0.1:80"),
        ('public_url = "https://cellar.example.org"', "https://cellar.example.org"),
    ],
    ids=["loopback", "everywhere", "public"],
)
def test_the_command_gives_a_whole_address(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], http: str, base: str
) -> None:
    held = services(tmp_path, {SITE.id: SITE})
    held.close()
    (tmp_path / "sites").mkdir(exist_ok=True)
    (tmp_path / "sites" / "larkspur.toml").write_text(site_toml(SITE), encoding="utf-8")
    (tmp_path / "outlast.toml").write_text(f"[http]\n{http}\n", encoding="utf-8")
    assert main(["token", "add", "phone", "--scope", "calendar", "--site", "larkspur", "--config", str(tmp_path)]) == 0
    assert capsys.readouterr().out.startswith(f"{base}/calendar/outlast_")


def test_a_token_of_another_kind_is_no_link(outside: tuple[TestClient, Services]) -> None:
    client, services = outside
    operator = bearer(services, "operate")
    secret = operator["Authorization"].removeprefix("Bearer ")
    assert client.get(f"/calendar/{secret}.ics").status_code == 404
    identity = secret.split("_")[1]
    assert client.delete(f"/api/v1/sites/larkspur/calendar-links/{identity}", headers=operator).status_code == 404
    assert client.get(PATH, headers=operator).status_code == 200


def test_a_link_alone_opens_no_door(tmp_path: Path) -> None:
    """Nobody can log in with it: beyond loopback the server still refuses to start without a token."""
    with serving(tmp_path, outage=False) as (_, services):
        new_token(services.ledger, services.clock, "phone", "calendar", "larkspur")
        assert not services.keyring.open_door()
        new_token(services.ledger, services.clock, "owner", "operate", None)
        assert services.keyring.open_door()
