"""The keys of an installation: private files, or one in the ledger for machines that share it."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.deliver.links import KEY_FILE, LIFE_MS, Ticket, tickets
from api.deliver.push import keys_of, public_key
from api.http.app import create_app
from api.process.services import Services, open_services
from collector.clock import SystemClock
from collector.config.settings import load_installation
from tests.api.deliver.test_alarm_doors import install
from tests.engines import Postgres, running_postgres

ALARM = "larkspur:high-water:1"


@pytest.fixture(scope="module")
def postgres() -> Iterator[Postgres]:
    with running_postgres() as server:
        yield server


def opened(place: Path, ledger: str) -> Services:
    """A machine with settings and data in folders of its own, as a service or a container has them."""
    data = f'[store]\nurl = "sqlite:///{place}/data/outlast.db"\nledger = "{ledger}"\n'
    return open_services(load_installation(install(place / "settings", more=data)), SystemClock(), owner=True, role="t")


def signed(house: Services) -> str:
    """The permission to acknowledge an alarm, as a mail carries it."""
    return tickets(house.installation, house.ledger).token(Ticket(ALARM, "owner", house.clock.now_ms() + LIFE_MS))


def is_ours(house: Services, token: str) -> bool:
    return tickets(house.installation, house.ledger).read(token, house.clock.now_ms()) is not None


def test_the_key_of_links_is_a_private_file_that_stays(tmp_path: Path) -> None:
    house = opened(tmp_path, f"sqlite:///{tmp_path}/data/ledger.db")
    token, file = signed(house), tmp_path / "data" / KEY_FILE
    assert file.stat().st_mode & 0o777 == 0o600
    assert is_ours(house, token)
    house.close()


def test_a_test_message_from_the_page_leaves_the_links_of_mails_valid(tmp_path: Path) -> None:
    """The pages looked for the key beside the settings and made another one there, which every link then failed by."""
    house = opened(tmp_path, f"sqlite:///{tmp_path}/data/ledger.db")
    token = signed(house)
    with TestClient(create_app(house), base_url="http://127.0.0.1:8642", follow_redirects=False) as client:
        page = client.get("/sites/larkspur/leaving").text
        form_token = page.partition('name="form_token" value="')[2].partition('"')[0]
        sent = client.post("/sites/larkspur/leaving/test", data={"form_token": form_token})
        assert (sent.status_code, sent.headers["location"]) == (303, "/sites/larkspur/leaving?said=sent")
    assert not (tmp_path / "settings" / KEY_FILE).exists()
    assert is_ours(house, token)
    house.close()


def test_machines_that_share_a_ledger_share_its_keys(postgres: Postgres, tmp_path: Path) -> None:
    """What one signs and a browser subscribes with, another has to recognise: they have no file in common."""
    url = postgres.empty_database("shared")
    first, second = opened(tmp_path / "first", url), opened(tmp_path / "second", url)
    assert is_ours(second, signed(first))
    assert is_ours(first, signed(second))
    assert len({public_key(keys_of(one.installation, one.ledger)) for one in (first, second)}) == 1
    assert not list(tmp_path.glob(f"**/{KEY_FILE}"))
    assert not list(tmp_path.glob("**/push-key.pem"))
    first.close()
    second.close()


def test_a_key_from_before_is_shared_and_another_one_named(
    postgres: Postgres, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    url = postgres.empty_database("before")
    first, second = opened(tmp_path / "first", url), opened(tmp_path / "second", url)
    kept, other = (tmp_path / name / "settings" / KEY_FILE for name in ("first", "second"))
    kept.write_bytes(b"the key of all links so far")
    token = signed(first)
    other.write_bytes(b"another one")
    caplog.set_level(logging.WARNING)
    assert is_ours(second, token)
    assert [record.getMessage() for record in caplog.records] == [
        f"{other} is another key than the one that the machines share in the ledger, and is not used"
    ]
    kept.unlink()
    assert is_ours(first, token)
    first.close()
    second.close()


def test_a_key_file_that_the_settings_name_is_used(postgres: Postgres, tmp_path: Path) -> None:
    house = opened(tmp_path, postgres.empty_database("named"))
    own = tmp_path / "own.pem"
    push = house.installation.push.model_copy(update={"key_file": own})
    house.installation = replace(house.installation, push=push)
    made = public_key(keys_of(house.installation, house.ledger))
    assert own.exists()
    own.unlink()
    assert public_key(keys_of(house.installation, house.ledger)) != made
    house.close()
