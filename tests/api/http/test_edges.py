"""The edges of HTTP that scripts lean on: HEAD, Allow, ETag, CORS, cursors, and a description that others can read."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from openapi_spec_validator import validate
from starlette.testclient import TestClient

from api.http.app import create_app
from api.process.services import Services
from collector.config.settings import Http
from forecaster.twin.live import larkspur_site
from tests.api.serving import LOOPBACK
from tests.scenario import services

DASHBOARD = "https://dashboard.example.org"


@pytest.fixture(scope="module")
def held(larkspur_folder: Path) -> Iterator[Services]:
    found = services(larkspur_folder, {"larkspur": larkspur_site()}, http=Http(cors_origins=(DASHBOARD,)))
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
            if status.startswith(("4", "5")) and "application/json" not in answer["content"]:
                shape = answer["content"]["application/problem+json"]["schema"]
                assert shape == {"$ref": "#/components/schemas/Problem"}, (path, method, status)


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


@pytest.mark.parametrize("path", ["/api/v1/alarms", "/api/v1/sites/larkspur/cycles"])
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
