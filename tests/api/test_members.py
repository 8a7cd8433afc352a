"""`outlast members` and `--join`: who carries what, and one line where the ledger is no server's."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from api.cli import main
from api.process.joining import ONCE, member_name, told_of
from api.process.members import member_counts, view
from collector.config.settings import load_installation
from collector.rendezvous import SHARES
from collector.share import share_of
from collector.store.ledger import SqlLedger
from collector.store.open import open_ledger
from forecaster.domain.leases import MemberSeen, MemberTold
from tests.bench.fleet import site_id, write_fleet
from tests.engines import Postgres, running_postgres

ALL = tuple(range(1, SHARES + 1))


@pytest.fixture(scope="module")
def postgres() -> Iterator[Postgres]:
    with running_postgres() as server:
        yield server


def seen(role: str, name: str, shares: tuple[int, ...], *, living: bool = True, described: str = "a") -> MemberSeen:
    return MemberSeen(role, name, MemberTold("attic", 7, 3, described), 0, 1.0 if living else 90.0, living, shares)


@pytest.mark.parametrize(
    ("words", "settings", "told"),
    [
        (("collect", "--join"), "", "--join needs a ledger on PostgreSQL"),
        (("forecast", "--join"), "", "--join needs a ledger on PostgreSQL"),
        (("forecast", "--join", "--share", "1/2"), "", "--join and --share do not go together"),
        (("members",), "", "members share a ledger on PostgreSQL"),
        (("collect", "--join"), 'ledger = "postgresql://127.0.0.1:1/x"\n[broker]\nurl = "embedded"\n', "embedded"),
    ],
)
def test_wrong_use_is_one_line_and_exit_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], settings: str, told: str
) -> None:
    write_fleet(tmp_path, 1, "mqtt://127.0.0.1:1", "sqlite:///outlast.db")
    if settings:
        store = '[store]\nurl = "influx+http://127.0.0.1:1/outlast"\n'
        (tmp_path / "outlast.toml").write_text(store + settings)
    assert main([*words, "--config", str(tmp_path)]) == 2
    err = capsys.readouterr().err
    assert told in err
    assert err.count("\n") == 1


def test_members_tells_who_carries_which_sites(
    tmp_path: Path, postgres: Postgres, capsys: pytest.CaptureFixture[str]
) -> None:
    """In: two forecasters that share all, then one of them that left with nobody in its place."""
    write_fleet(tmp_path, 3, "mqtt://127.0.0.1:1", "influx+http://127.0.0.1:1/outlast")
    with (tmp_path / "outlast.toml").open("a") as settings:
        settings.write(f'ledger = "{postgres.url}"\n')
    installation = load_installation(tmp_path)
    first = share_of(site_id(0), SHARES)
    words = ["members", "--config", str(tmp_path)]
    assert main(words) == 1
    assert "nobody has joined" in capsys.readouterr().out
    with closing(open_ledger(installation.ledger_url)) as ledger:
        assert isinstance(ledger, SqlLedger)
        ledger.join("forecast", "attic-1", "one", told_of(installation))
        ledger.join("forecast", "garage-1", "two", told_of(installation))
        here = ledger.take("forecast", "attic-1", "one", [ONCE, first])
        ledger.take("forecast", "garage-1", "two", [share for share in ALL if share != first])
        assert main([*words, "--json"]) == 0
        told = json.loads(capsys.readouterr().out)
        attic, garage = told["members"]
        assert (attic["name"], attic["shares"], attic["deliveries"]) == ("attic-1", [first], True)
        assert site_id(0) in attic["sites"]
        assert len(attic["sites"]) + len(garage["sites"]) == 3
        assert told["uncarried"] == {"forecast": {"shares": [], "sites": [], "deliveries": False}}
        assert main(words) == 0
        assert "attic-1" in capsys.readouterr().out
        ledger.give_back("one", here)
        assert main([*words, "--json"]) == 1
        assert json.loads(capsys.readouterr().out)["uncarried"]["forecast"]["shares"] == [first]
        assert main(words) == 1
        out = capsys.readouterr().out
        assert site_id(0) in out
        assert "nobody carries the deliveries" in out


def test_members_that_describe_different_sites_are_named() -> None:
    members = [seen("forecast", "attic-1", (ONCE, *ALL)), seen("collect", "garage-1", ALL, described="b")]
    assert view(members, ["larkspur"]).differ == ("attic-1", "garage-1")
    assert not view(members, ["larkspur"]).well
    gone = [members[0], seen("collect", "garage-1", ALL, living=False, described="b")]
    assert view(gone, ["larkspur"]).differ == ()


def test_the_metrics_tell_the_same() -> None:
    members = [seen("forecast", "attic-1", ALL), seen("collect", "attic-1", (), living=False)]
    found = {(one.name, dict(one.labels)["role"]): one.value for one in member_counts(view(members, ["larkspur"]))}
    assert found["outlast_member_sites", "forecast"] == 1.0
    assert found["outlast_member_delivers", "forecast"] == 0.0
    assert found["outlast_member_up", "collect"] == 0.0
    assert found["outlast_sites_uncarried", "forecast"] == 0.0
    assert found["outlast_sites_uncarried", "collect"] == 1.0


def test_a_member_keeps_its_name(tmp_path: Path) -> None:
    assert member_name(tmp_path, 1) == member_name(tmp_path, 1)
    assert member_name(tmp_path, 1).removesuffix("-1") == member_name(tmp_path, 2).removesuffix("-2")
