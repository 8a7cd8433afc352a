"""An installation of an older build, taken up by this one: nothing told twice, nothing forgotten, the pack as learnt.

The older build made it (`make.py`): on the pack for an hour with one alarm open and one acknowledged, one shelved, a
discharge test with its plug pulled, mail that nobody took, a push subscription, tokens, engines that have learnt; once
on SQLite, once on InfluxDB and PostgreSQL.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from collector.config.settings import load_installation
from collector.store.open import open_ledger
from forecaster.domain.alarms import AlarmKind, AlarmState, TransitionKind
from forecaster.domain.records import Checkpoint
from forecaster.engine.packing import packed, unpacked
from tests.engines import wait_until
from tests.upgrade.houses import LOST, SITES, TESTED, WET
from tests.upgrade.kept import PATIENCE_S, Kept, Taken, taken_up
from tests.upgrade.kept import unpacked as unpacked_kept

pytestmark = [
    pytest.mark.timeout(3600),
    pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning"),  # aiosmtpd leaves its last connection open
]

UNWATCHED_S = 60.0


@pytest.fixture(params=["sqlite", "servers"])
def kept(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Kept]:
    """The older build's installation, once for each pair of stores."""
    with unpacked_kept(str(request.param), tmp_path) as made:
        yield made


def as_told(taken: Taken) -> dict[str, tuple[str, str | None]]:
    """State and shelf of every alarm, by id, as this build has them."""
    ledger = taken.process.services.ledger
    return {a.id: (a.state.value, a.shelved_by) for site in SITES for a in ledger.alarms(site)}


def as_left(kept: Kept) -> dict[str, tuple[str, str | None]]:
    """The same as the older build told them last."""
    return {a["id"]: (a["state"], a["shelved_by"]) for site in SITES for a in kept.site(site)["alarms"]}


def same_alarms(taken: Taken) -> None:
    """No alarm has started anew, none is gone, none was told again."""
    kept = taken.kept
    left, told = as_left(kept), as_told(taken)
    assert {name: told[name] for name in left} == left
    standing = {a["kind"] for a in kept.site(LOST)["alarms"]}
    anew = [x for x in taken.transitions() if x.kind is TransitionKind.RAISED]
    assert [x.alarm.id for x in anew if x.alarm.site == LOST and x.alarm.kind in standing] == []
    assert [x.alarm.id for x in anew if x.alarm.kind in (AlarmKind.MAINS_LOST, AlarmKind.HIGH_WATER)] == []
    assert {name for name in told if name not in left} == {x.alarm.id for x in anew}


def near(taken: Taken) -> None:
    """What is left in each pack is what the older build said, within 2 %."""
    for site in SITES:
        old, new = taken.kept.site(site)["forecast"], taken.newest(site)
        assert new["supply"] == old["supply"]
        assert new["usable_wh"] == pytest.approx(old["usable_wh"], rel=0.02), site


def test_taken_up(kept: Kept) -> None:
    """Every alarm, test, token and message goes on where it stood; then the mains come back."""
    states = {a["kind"]: a["state"] for a in kept.site(LOST)["alarms"]}
    assert states["high-water"] == "unacknowledged"
    assert states["mains-lost"] == "acknowledged"
    assert {a["kind"]: a["state"] for a in kept.site(WET)["alarms"]}["high-water"] == "shelved"
    with taken_up(kept) as taken:
        assert taken.cpu_s < UNWATCHED_S
        near(taken)
        same_alarms(taken)
        taken.live(6)
        same_alarms(taken)
        the_people(taken)
        mails_once(taken)
        taken.kept.houses[0].mains = taken.kept.houses[2].mains = True
        taken.live(6)  # a return is believed when it has lasted two minutes
        cleared = [x.alarm.id for x in taken.transitions() if x.kind is TransitionKind.CLEARED]
        lost = next(name for name in as_left(kept) if name.startswith(f"{LOST}:mains-lost"))
        assert cleared.count(lost) == 1
        wait_until(lambda: ended_test(taken), "the discharge test to end", PATIENCE_S)


def ended_test(taken: Taken) -> bool:
    """Whether the test that ran is finished, and none is beside it."""
    tests = taken.process.services.ledger.tests(TESTED)
    assert [t.id for t in tests] == [t["id"] for t in taken.kept.site(TESTED)["tests"]]
    return all(t.finished_ms is not None for t in tests)


def the_people(taken: Taken) -> None:
    """Tokens hold as they held, and the browser's subscription is there."""
    services, secrets = taken.process.services, taken.kept.said["tokens"]
    desk, phone = services.keyring.token(secrets["desk"]), services.keyring.token(secrets["phone"])
    assert desk is not None
    assert phone is not None
    assert (desk.scope, desk.site, phone.scope, phone.site) == ("operate", None, "read", LOST)
    assert services.keyring.token(secrets["gone"]) is None
    assert [(s.label, s.site) for s in services.ledger.subscriptions()] == [("phone", LOST)]
    assert [t.finished_ms for t in services.ledger.tests(TESTED)] == [None]


def mails_once(taken: Taken) -> None:
    """What was told is not told again; what was owed when the older build ended arrives, once."""
    box, said = taken.kept.box, taken.kept.said["mails"]
    wait_until(lambda: any("HIGH WATER" in str(mail["Subject"]) for mail in box.mails), "the owed mail", PATIENCE_S)
    told = [str(mail["Message-ID"]) for mail in box.mails]
    assert len(set(told)) == len(told)
    assert set(told) & set(said) == set()


def test_changed_snapshots_fold_again_and_alarms_go_on(tmp_path: Path) -> None:
    """A state of a version that this build does not read: readings are folded again, alarms stand as they stood."""
    with unpacked_kept("sqlite", tmp_path) as kept:
        other_version(kept)
        with taken_up(kept) as taken:
            assert taken.cpu_s < UNWATCHED_S
            near(taken)
            taken.live(3)
            same_alarms(taken)
            shelved = [a for a in taken.process.services.ledger.alarms(WET) if a.kind is AlarmKind.HIGH_WATER]
            assert [a.state for a in shelved] == [AlarmState.SHELVED]
            mails_once(taken)


def other_version(kept: Kept) -> None:
    """Every kept state as though another release had written it."""

    ledger = open_ledger(load_installation(kept.folder).ledger_url)
    for kind in ("engine", "alarms"):
        for site in SITES:
            held = ledger.checkpoint(kind, site)
            assert held is not None, f"the older build kept no {kind} of {site}"
            state = json.loads(unpacked(held.state)) | {"version": 999}
            ledger.save_checkpoints(
                kind, [Checkpoint(site, held.cursor, held.taken_ms, packed(json.dumps(state).encode()))]
            )
    ledger.close()


def test_going_back(tmp_path: Path) -> None:
    """The older build says in one line how to go back: it refuses a ledger of a later version than its own.

    What it says was taken from it when the installation was made, of a ledger one version later; here it is held
    that this build leaves it such a ledger, as its own states may be of versions that the older one does not read.
    """
    with unpacked_kept("sqlite", tmp_path) as kept:
        back = kept.said["going_back"]
        assert back["exit"] == 2
        assert len(back["says"]) == 1
        assert "newer release" in back["says"][0]
        assert "backup" in back["says"][0]
        assert ledger_version(kept) == back["ledger_version"]
        with taken_up(kept) as taken:
            taken.live(1)
        assert ledger_version(kept) > back["ledger_version"]


def ledger_version(kept: Kept) -> int:
    """As it stands in the file."""
    with closing(sqlite3.connect(kept.folder / "outlast-ledger.db")) as held:
        return int(held.execute("SELECT version FROM schema").fetchone()[0])
