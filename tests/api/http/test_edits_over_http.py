"""The site file over HTTP: RFC 7396 patches under RFC 9110 preconditions, all faults at once, no secret ever shown."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.http.keyring import new_token
from api.process.services import Services
from tests.api.serving import described, serving

FILE, EDITS = "/api/v1/sites/larkspur/file", "/api/v1/sites/larkspur/edits"
OWNER = """
# far away
[[contacts]]
name = "owner"
email = "owner@example.org"
webhook = "https://hooks.example.org/house"
webhook_secret = "a long secret"
"""


@pytest.fixture
def house(tmp_path: Path) -> Iterator[tuple[TestClient, Services, Path]]:
    with serving(tmp_path, outage=False) as (client, services):
        described(tmp_path)
        path = tmp_path / "sites" / "larkspur.toml"
        written = path.read_text(encoding="utf-8").partition("[[contacts]]")[0] + OWNER
        path.write_text(written, encoding="utf-8")
        yield client, services, path


def patched(client: TestClient, patch: dict[str, Any], **more: Any) -> Any:
    tag = client.get(FILE).headers["ETag"]
    return client.patch(FILE, json=patch, headers={"If-Match": tag}, **more)


def test_a_patch_is_checked_then_made_then_taken_back(house: tuple[TestClient, Services, Path]) -> None:
    client, _, path = house
    before = path.read_text(encoding="utf-8")
    seen = client.get(FILE).json()
    assert seen["content"] == tomllib.loads(before.replace("a long secret", "•••"))
    assert "a long secret" not in str(seen)
    patch = {"name": "Cellar", "pump": {"power_factor": 0.7}, "alarms": {"limits": {"pump-overrun": 120}}}
    checked = patched(client, patch, params={"check": True}).json()
    assert "+power_factor = 0.7" in checked["difference"]
    assert path.read_text(encoding="utf-8") == before
    made = patched(client, patch).json()
    assert made["difference"] == checked["difference"] == made["edit"]["difference"]
    assert made["edit"]["part"] == "house, pump, alarms"
    after = tomllib.loads(path.read_text(encoding="utf-8"))
    assert (after["name"], after["alarms"]["limits"]) == ("Cellar", {"pump-overrun": 120})
    assert client.get(FILE).json()["stamp"] == made["stamp"]
    [kept] = client.get(EDITS).json()["edits"]
    assert kept == made["edit"]
    assert client.post(f"{EDITS}/{kept['id']}/undo").json()["edit"]["undoes"] == kept["id"]
    assert path.read_text(encoding="utf-8") == before


def test_a_covered_secret_stays_and_a_list_is_given_whole(house: tuple[TestClient, Services, Path]) -> None:
    client, _, path = house
    contacts = client.get(FILE).json()["content"]["contacts"]
    assert contacts[0]["webhook_secret"] == "•••"
    contacts[0]["quiet_hours"] = "22:00-07:00"
    contacts.insert(0, {"name": "neighbour", "email": "neighbour@example.org"})
    made = patched(client, {"contacts": contacts}).json()
    text = path.read_text(encoding="utf-8")
    assert [(one["name"], one.get("webhook_secret")) for one in tomllib.loads(text)["contacts"]] == [
        ("neighbour", None), ("owner", "a long secret"),
    ]  # fmt: skip
    assert "a long secret" not in str(made)
    assert patched(client, {"contacts": [contacts[0], contacts[1] | {"name": "Ann"}]}).status_code == 200
    assert tomllib.loads(path.read_text(encoding="utf-8"))["contacts"][1]["webhook_secret"] == "a long secret"
    assert patched(client, {"contacts": None}).status_code == 200
    assert "contacts" not in tomllib.loads(path.read_text(encoding="utf-8"))


def test_all_faults_at_once_and_nothing_written(house: tuple[TestClient, Services, Path]) -> None:
    client, _, path = house
    before = path.read_text(encoding="utf-8")
    wrong = {"pump": {"power_factor": 7}, "timezone": "Nowhere", "colour": 1, "contacts": [{"name": "x"}], "id": "y"}
    answer = patched(client, wrong)
    assert answer.status_code == 422
    assert {fault["where"] for fault in answer.json()["errors"]} == {
        "pump.power_factor", "timezone", "colour", "contacts[0]", "id",
    }  # fmt: skip
    assert path.read_text(encoding="utf-8") == before
    for odd in ({"pump": 5}, {"pump": None}, {"contacts": 5}, {"contacts": [5]}, {"alarms": {"limits": [1]}}, {"": 1}):
        assert patched(client, odd).status_code == 422
    assert client.patch(FILE, json=[1], headers={"If-Match": "*"}).status_code == 422


def test_a_file_that_changed_meanwhile_is_not_overwritten(house: tuple[TestClient, Services, Path]) -> None:
    """428 without a precondition (RFC 6585 section 3), 412 where it does not hold (RFC 9110 section 13.1.1)."""
    client, _, path = house
    assert client.patch(FILE, json={"name": "Cellar"}).status_code == 428
    assert client.delete(FILE).status_code == 428
    tag = client.get(FILE).headers["ETag"]
    by_hand = path.read_text(encoding="utf-8").replace("0.46", "0.5")
    path.write_text(by_hand, encoding="utf-8")
    answer = client.patch(FILE, json={"name": "Cellar"}, headers={"If-Match": tag})
    assert (answer.status_code, answer.headers["ETag"]) == (412, client.get(FILE).headers["ETag"])
    assert '+name = "Cellar"' in answer.json()["detail"]
    assert client.delete(FILE, headers={"If-Match": tag}).status_code == 412
    assert path.read_text(encoding="utf-8") == by_hand


def test_a_token_of_one_site_changes_its_own_alone(tmp_path: Path) -> None:
    with serving(tmp_path, outage=False, host="0.0.0.0") as (client, services):
        described(tmp_path)
        _, secret = new_token(services.ledger, services.clock, "Ann", "operate", "larkspur")
        _, reader = new_token(services.ledger, services.clock, "Bob", "read", "larkspur")
        assert client.get(FILE, headers={"Authorization": f"Bearer {reader}"}).status_code == 403
        mine = {"Authorization": f"Bearer {secret}", "If-Match": "*"}
        made = client.patch(FILE, json={"name": "Cellar"}, headers=mine)
        assert made.json()["edit"]["who"] == "Ann"
        hook = [{"name": "hub", "webhook": "http://127.0.0.1:1883/"}]
        answer = client.patch(FILE, json={"contacts": hook}, headers=mine)
        assert [fault["where"] for fault in answer.json()["errors"]] == ["contacts[0].webhook"]
