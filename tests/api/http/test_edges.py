"""The edges of HTTP that scripts lean on: HEAD, Allow, ETag, CORS, cursors, and a description that others can read."""

from __future__ import annotations

import asyncio
import json
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import msgspec
import pytest
from jsonschema_rs import Draft202012Validator
from openapi_spec_validator import validate
from sse_starlette import ServerSentEvent
from starlette.testclient import TestClient

from api.http.answers import soonest_first
from api.http.app import create_app
from api.http.publisher import StreamPublisher, alarm_data
from api.http.stream import QUEUE_LIMIT, StreamKind
from api.http.stream_events import KINDS
from api.http.stream_state import whole_stream
from api.process.services import Services
from collector.config.settings import Http
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.records import StoredForecast
from forecaster.engine.document import time_text
from forecaster.twin.live import larkspur_site
from tests.api.serving import LOOPBACK, described
from tests.scenario import NOW_MS, HeldClock, services

PROBES = ("/livez", "/readyz", "/healthz")
PROBES_NOT_WELL = {(path, "503") for path in PROBES}
"""Errors that are no problem documents: what a probe says has one form."""

DASHBOARD = "https://dashboard.example.org"


@pytest.fixture(scope="module")
def held(larkspur_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Services]:
    folder = tmp_path_factory.mktemp("edges") / "house"
    shutil.copytree(larkspur_folder, folder)
    described(folder)
    found = services(folder, {"larkspur": larkspur_site()}, http=Http(cors_origins=(DASHBOARD,)))
    yield found
    found.close()


@pytest.fixture(scope="module")
def client(held: Services) -> Iterator[TestClient]:
    with TestClient(create_app(held), base_url=LOOPBACK) as client:
        yield client


@pytest.fixture(scope="module")
def description(client: TestClient) -> dict[str, Any]:
    found: dict[str, Any] = client.get("/openapi.json").json()
    return found


@pytest.mark.slow
def test_the_description_is_valid(description: dict[str, Any]) -> None:
    """By an independent validator of OpenAPI 3.1 (openapi-spec-validator)."""
    validate(description)


def operations(description: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, item in description["paths"].items():
        yield from ((path, method, operation) for method, operation in item.items())


def test_operation_ids_are_short_and_stand_once(description: dict[str, Any]) -> None:
    ids = [operation["operationId"] for _, _, operation in operations(description)]
    assert len(set(ids)) == len(ids)
    assert max(map(len, ids)) <= 32
    assert all(name.isidentifier() for name in ids)


def test_every_error_is_the_problem_of_the_components(description: dict[str, Any]) -> None:
    for path, method, operation in operations(description):
        for status, answer in operation["responses"].items():
            if status.startswith(("4", "5", "default")) and (path, status) not in PROBES_NOT_WELL:
                assert list(answer["content"]) == ["application/problem+json"], (path, method, status)
                shape = answer["content"]["application/problem+json"]["schema"]
                assert shape == {"$ref": "#/components/schemas/Problem"}, (path, method, status)

    assert all("default" in operation["responses"] for _, _, operation in operations(description))


def test_a_probe_where_something_is_wrong_is_as_described(
    held: Services, client: TestClient, description: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """503 has the form of 200, and its media type."""
    monkeypatch.setattr(type(held.clock), "now_ms", lambda _: NOW_MS + 3_600_000)
    for path, status in PROBES_NOT_WELL - {("/livez", "503")}:
        answer = client.get(path)
        assert str(answer.status_code) == status, path
        content = description["paths"][path]["get"]["responses"][status]["content"]
        assert list(content) == [answer.headers["content-type"]], path
        shape = {**content["application/json"]["schema"], "components": description["components"]}
        Draft202012Validator(shape).validate(answer.json())


def test_it_says_how_to_log_in_and_names_kinds(description: dict[str, Any]) -> None:
    assert set(description["components"]["securitySchemes"]) == {"token", "session"}
    assert "mains-lost" in description["components"]["schemas"]["AlarmKind"]["enum"]


def test_head_is_get_without_the_body(client: TestClient, description: dict[str, Any]) -> None:
    asked = [path for path, method, _ in operations(description) if method == "get" and "{" not in path]
    for path in [*asked, "/", "/sites/larkspur", "/api/v1/sites/larkspur", "/api/v1/sites/nowhere"]:
        if path == "/api/v1/stream":
            continue  # its GET has no end
        whole, head = client.get(path), client.head(path)
        assert (head.status_code, head.content) == (whole.status_code, b""), path
        assert head.headers["content-type"] == whole.headers["content-type"], path
    stream = client.head("/api/v1/stream")
    assert (stream.status_code, stream.headers["content-type"].partition(";")[0]) == (200, "text/event-stream")


def test_allow_names_every_method_of_a_path(client: TestClient) -> None:
    refused = client.delete("/api/v1/sites/larkspur/discharge-tests")
    assert (refused.status_code, refused.headers["allow"]) == (405, "GET, HEAD, POST")
    assert refused.headers["content-type"] == "application/problem+json"
    assert client.post("/api/v1/sites").headers["allow"] == "GET, HEAD"


def test_an_answer_that_is_known_already_is_not_sent_again(client: TestClient) -> None:
    first = client.get("/api/v1/sites/larkspur/outages")
    tag = first.headers["etag"]
    for known in (tag, f"W/{tag}", f'"other", {tag}', "*"):
        again = client.get("/api/v1/sites/larkspur/outages", headers={"If-None-Match": known})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    changed = client.get("/api/v1/sites/larkspur/outages", headers={"If-None-Match": '"other"'})
    assert (changed.status_code, changed.content) == (200, first.content)


def readable(client: TestClient, description: dict[str, Any]) -> Iterator[str]:
    """The address of every route that gives JSON or a calendar, with what it needs; probes are asked for the moment."""
    alarm = client.get("/api/v1/alarms").json()["alarms"][0]["id"]
    link = client.post("/api/v1/sites/larkspur/calendar-links", json={"name": "kitchen"}).json()
    earlier, _ = entries(client, "/api/v1/sites/larkspur/forecasts", 1_000)
    known = {
        "site": "larkspur", "id": alarm, "outage": "latest", "token": link["url"].rpartition("/")[2][: -len(".ics")],
        "quantity": "pump_power", "since": earlier[-2]["issued_at"],
        "leave": time_text(NOW_MS + 86_400_000), "back": time_text(NOW_MS + 172_800_000),
    }  # fmt: skip
    for path, method, operation in operations(description):
        kinds = operation["responses"].get("200", {}).get("content", {}).keys()
        if method == "get" and kinds & {"application/json", "text/calendar"} and path not in PROBES:
            needed = [one for one in operation.get("parameters", []) if one["required"] and one["in"] == "query"]
            yield path.format(**known) + "?" + urlencode({one["name"]: known[one["name"]] for one in needed})


OF_A_CHILD = "/report?"
"""In the address of what a process of its own makes."""


def all_have_a_tag(held: Services, client: TestClient, addresses: Iterable[str]) -> int:
    """How many were asked. Each is asked twice, the second time with the tag of the first."""
    asked = 0
    for address in addresses:
        first = client.get(address)
        assert (first.status_code, "etag" in first.headers) == (200, True), address
        if ".ics" in address:
            held.clock = HeldClock(NOW_MS + 60_000)
        again = client.get(address, headers={"If-None-Match": first.headers["etag"]})
        held.clock = HeldClock(NOW_MS)
        assert (again.status_code, again.content) == (304, b""), address
        asked += 1
    return asked


def test_every_answer_has_a_tag(held: Services, client: TestClient, description: dict[str, Any]) -> None:
    """Out: 304 for what is known, also of a calendar a minute later."""
    made_here = [one for one in readable(client, description) if OF_A_CHILD not in one]
    assert all_have_a_tag(held, client, (*made_here, "/openapi.json")) >= 24


@pytest.mark.slow
def test_what_a_child_makes_has_a_tag_too(held: Services, client: TestClient, description: dict[str, Any]) -> None:
    assert all_have_a_tag(held, client, [one for one in readable(client, description) if OF_A_CHILD in one]) == 1


def test_only_named_origins_may_ask_from_a_page(client: TestClient) -> None:
    asked = {"Access-Control-Request-Method": "GET", "Access-Control-Request-Headers": "authorization"}
    ours = client.options("/api/v1/sites", headers={"Origin": DASHBOARD, **asked})
    assert ours.headers["access-control-allow-origin"] == DASHBOARD
    assert "access-control-allow-credentials" not in ours.headers
    theirs = client.options("/api/v1/sites", headers={"Origin": "https://elsewhere.example.org", **asked})
    assert "access-control-allow-origin" not in theirs.headers


def test_alarms_over_all_sites(client: TestClient) -> None:
    every = client.get("/api/v1/alarms").json()
    assert every["alarms"]
    assert every["cursor"] is None
    first = client.get("/api/v1/alarms", params={"limit": 1}).json()
    if first["cursor"] is not None:
        rest = client.get("/api/v1/alarms", params={"cursor": first["cursor"]}).json()
        assert first["alarms"] + rest["alarms"] == every["alarms"]
    lost = client.get("/api/v1/alarms", params={"kind": "mains-lost", "site": "larkspur"}).json()["alarms"]
    assert {alarm["kind"] for alarm in lost} == {"mains-lost"}
    assert client.get("/api/v1/alarms", params={"kind": "nonsense"}).status_code == 422
    assert client.get("/api/v1/alarms", params={"site": "nowhere"}).status_code == 404


def lists(description: dict[str, Any]) -> Iterator[tuple[str, int]]:
    """Every list that comes in pages by a cursor, and the most that a page of it has."""
    for path, method, operation in operations(description):
        asked = {one["name"]: one["schema"] for one in operation.get("parameters", []) if one["in"] == "query"}
        if method == "get" and {"cursor", "from"} <= asked.keys():
            yield path.format(site="larkspur"), asked["limit"]["maximum"]


def entries(
    client: TestClient, path: str, limit: int, cursor: str | None = None, **other: str
) -> tuple[list[Any], str | None]:
    """One page, and the cursor of the next."""
    span = {"from": "2026-03-01T00:00:00Z", "to": "2026-03-04T00:00:00Z", **other}
    asked = {"limit": str(limit), **span, **({} if cursor is None else {"cursor": cursor})}
    answer = client.get(path, params=asked)
    assert answer.status_code == 200, (path, answer.text)
    (found,) = [value for value in answer.json().values() if isinstance(value, list)]
    return found, answer.json()["cursor"]


def test_pages_of_every_list_are_the_whole_list(client: TestClient, description: dict[str, Any]) -> None:
    """In: pages of two, each with the cursor of the one before. Out: what one large page has, each entry once."""
    client.post("/api/v1/sites/larkspur/work", json={"kind": "cleaned", "did": "the screen"})
    client.post("/api/v1/sites/larkspur/work", json={"kind": "pump-replaced"})
    client.post("/api/v1/sites/larkspur/work", json={"kind": "float-replaced"})
    found = dict(lists(description))
    assert {path.rpartition("/")[2] for path in found} == {
        "alarms", "cycles", "forecasts", "outages", "discharge-tests", "work", "edits",
    }  # fmt: skip
    for path, most in found.items():
        whole, none = entries(client, path, most)
        assert none is None, path
        walked, cursor = entries(client, path, 2)
        while cursor is not None:
            more, cursor = entries(client, path, 2, cursor)
            assert 1 <= len(more) <= 2, path
            walked += more
        assert walked == whole, path


WHEN = {
    "alarms": "changed", "cycles": "start", "forecasts": "issued_at", "outages": "start", "discharge-tests": "started",
    "work": "at", "edits": "at",
}  # fmt: skip
"""The time by which the entries of a list are asked for."""


def test_every_list_is_asked_by_time(client: TestClient, description: dict[str, Any]) -> None:
    """In: a list from the time of one of its entries on, and before it. Out: those at and after it; those before."""
    client.post("/api/v1/sites/larkspur/work", json={"kind": "cleaned", "at": "2026-03-02T10:00:00Z"})
    for path, most in lists(description):
        when = WHEN[path.rpartition("/")[2]]
        whole, _ = entries(client, path, most)
        at = sorted(entry[when] for entry in whole)[len(whole) // 2] if whole else time_text(NOW_MS)
        after, _ = entries(client, path, most, **{"from": at})
        before, _ = entries(client, path, most, to=at)
        assert after == [entry for entry in whole if entry[when] >= at], path
        assert before == [entry for entry in whole if entry[when] < at], path


def test_a_page_of_sites_is_cut_from_the_whole_list(held: Services, client: TestClient) -> None:
    """In: twelve sites, some on the pack, some without a forecast, one whose forecast changes. Out: the same order."""
    known, ledger = held.installation, held.ledger
    stored = ledger.newest(["larkspur"])["larkspur"]
    held.installation = replace(known, sites={f"s{n}": replace(larkspur_site(), id=f"s{n}") for n in range(12)})
    try:
        for turn in range(2):
            for number in range(9):
                document = msgspec.json.decode(stored.document)
                document |= {"site": f"s{number}", "supply": "pack" if (number + turn) % 3 else "mains"}
                document["hours_remaining"]["p10"] = float((number * 5 + turn) % 7) or None
                text = msgspec.json.encode(document).decode()
                ledger.publish([StoredForecast(f"s{number}", NOW_MS + turn, text, past=False)])
            whole = client.get("/api/v1/sites").json()["sites"]
            assert [line["id"] for line in whole] == [line["id"] for line in sorted(whole, key=soonest_first)]
            walked = []
            for offset in range(0, 12, 5):
                page = client.get("/api/v1/sites", params={"limit": 5, "offset": offset}).json()
                assert (page["count"], page["cursor"]) == (12, None)
                walked += page["sites"]
            assert walked == whole
    finally:
        held.installation = known


def test_pages_by_id_have_each_site_once_whatever_is_forecast_meanwhile(held: Services, client: TestClient) -> None:
    """In: twelve sites, of which every page turns the order round, and one goes. Out: each of the others, once."""
    known, document = held.installation, msgspec.json.decode(held.ledger.newest(["larkspur"])["larkspur"].document)
    held.installation = replace(known, sites={f"s{n:02}": replace(larkspur_site(), id=f"s{n:02}") for n in range(12)})
    try:
        walked: list[str] = []
        cursor: str | None = None
        for turn in range(3):
            for number in range(12):
                document |= {"site": f"s{number:02}"}
                document["hours_remaining"]["p10"] = float(number if turn % 2 else 12 - number)
                text = msgspec.json.encode(document).decode()
                held.ledger.publish([StoredForecast(f"s{number:02}", NOW_MS + 10 + turn, text, past=False)])
            asked = {"limit": "5", "order": "id", **({} if cursor is None else {"cursor": cursor})}
            page = client.get("/api/v1/sites", params=asked).json()
            walked += [line["id"] for line in page["sites"]]
            cursor = page["cursor"]
            if turn == 0:
                gone = {name: site for name, site in held.installation.sites.items() if name != cursor}
                held.installation = replace(known, sites=gone)
        assert (cursor, walked) == (None, [f"s{n:02}" for n in range(12)])
    finally:
        held.installation = known


@pytest.mark.parametrize(
    "path",
    [
        "/api/v1/alarms",
        *(f"/api/v1/sites/larkspur/{name}" for name in ("alarms", "cycles", "forecasts", "outages", "work", "edits")),
        "/api/v1/sites/larkspur/discharge-tests",
    ],
)
def test_a_cursor_of_no_page_is_one_line(client: TestClient, path: str) -> None:
    for cursor in ("bogus", "-", "9" * 40, "-5", "1."):
        refused = client.get(path, params={"cursor": cursor})
        assert refused.status_code == 422, cursor
        assert "cursor" in refused.json()["detail"]


def test_sites_come_in_pages(client: TestClient) -> None:
    whole = client.get("/api/v1/sites").json()
    assert whole["count"] == len(whole["sites"]) == 1
    beyond = client.get("/api/v1/sites", params={"limit": 5, "offset": 5}).json()
    assert (beyond["count"], beyond["sites"]) == (1, [])


def test_events_of_the_stream_are_as_described(held: Services, description: dict[str, Any]) -> None:
    """Each kind: the event by its schema, its data by the one named there (JSON Schema 2020-12, `contentSchema`)."""
    media = description["paths"]["/api/v1/stream"]["get"]["responses"]["200"]["content"]["text/event-stream"]
    item, described_kinds = media["schema"]["x-item-schema"], set()
    whole = Draft202012Validator({**item, "components": description["components"]})

    @cache
    def inner(kind: str) -> Draft202012Validator:
        shape = description["components"]["schemas"][f"{kind.capitalize()}Event"]
        return Draft202012Validator(
            {**shape["properties"]["data"]["contentSchema"], "components": description["components"]}
        )

    for event in asyncio.run(one_of_each(held)):
        said = {"event": str(event.event), "data": str(event.data)} | ({"id": str(event.id)} if event.id else {})
        whole.validate(said)
        inner(said["event"]).validate(json.loads(said["data"]))
        described_kinds.add(said["event"])
    assert described_kinds == set(KINDS) == {"state", "lost"} | set(StreamKind)


async def one_of_each(held: Services) -> list[ServerSentEvent]:
    """The state, and after it more than a client's queue holds of a reading, with an alarm and a forecast."""
    client = held.hub.join(frozenset({"larkspur"}))
    publisher = StreamPublisher(held.hub)
    publisher.forecast(held.ledger.newest(["larkspur"])["larkspur"])
    change = held.ledger.transitions("larkspur", 0, 2**53, 1)[0]
    held.hub.publish(StreamKind.ALARM, "larkspur", alarm_data(change), held.ledger.newest_change())
    for number in range(QUEUE_LIMIT):
        publisher.reading(Reading("larkspur", Quantity.PUMP_POWER, NOW_MS + number, 1.0, NOW_MS))
    found = []
    async for event in whole_stream(client, held.hub, held.ledger, ["larkspur"]):
        found += [event] if event.data is not None else []
        if len(found) > QUEUE_LIMIT:
            return found
    raise AssertionError("the stream ended")


@pytest.mark.parametrize("accept", ["*/*", "text/plain"])
def test_metrics_are_described_as_they_are_answered(
    client: TestClient, description: dict[str, Any], accept: str
) -> None:
    media = description["paths"]["/metrics"]["get"]["responses"]["200"]["content"]
    assert client.get("/metrics", headers={"Accept": accept}).headers["content-type"] in media
