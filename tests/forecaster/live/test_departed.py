"""People who are no longer contacts are forgotten; nobody is, where a part of the file only cannot be read."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from collector.store.open import open_ledger
from forecaster.alarms.plan import deliveries
from forecaster.domain.alarms import AlarmState
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.longrecord import WorkDone, WorkKind
from forecaster.domain.ports import Ledger
from forecaster.domain.records import Checkpoint, Delivery, PushSubscription
from forecaster.domain.site import Contact, Site
from forecaster.engine.packing import packed, unpacked
from forecaster.live.departed import forget_departed
from forecaster.live.site_runner import restored_manager
from tests.forecaster.evidence import LARKSPUR, START_MS, House

ALARM = "larkspur:mains-lost:1"
OWNER, NEIGHBOUR = Contact("owner", email="owner@example.org"), Contact("neighbour", email="neighbour@example.org")


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    found = open_ledger(f"sqlite:///{tmp_path / 'l.db'}")
    for contact in (OWNER, NEIGHBOUR):
        told = Delivery(
            f"{ALARM}:{contact.name}", "mail", str(contact.email), LARKSPUR.id, "{}", START_MS, START_MS,
            START_MS + 1000, done_ms=START_MS + 5, who=contact.name, alarm_id=ALARM,
        )  # fmt: skip
        found.commit_transitions([], [told], [])
    yield found
    found.close()


def told(ledger: Ledger) -> set[str]:
    return {notice.who for notice in ledger.notices([ALARM])}


def site(*contacts: Contact) -> Site:
    return replace(LARKSPUR, contacts=contacts)


def test_a_contact_who_is_removed_is_forgotten(ledger: Ledger) -> None:
    assert forget_departed(ledger, [site(OWNER, NEIGHBOUR)], {LARKSPUR.id}) == 0
    assert told(ledger) == {"owner", "neighbour"}
    assert forget_departed(ledger, [site(OWNER)], {LARKSPUR.id}) == 1
    assert told(ledger) == {"owner"}
    assert forget_departed(ledger, [site(OWNER)], {LARKSPUR.id}) == 0


def test_nobody_is_forgotten_for_a_part_that_cannot_be_read(ledger: Ledger) -> None:
    forget_departed(ledger, [site(OWNER, NEIGHBOUR)], {LARKSPUR.id})
    damaged = replace(site(OWNER), set_aside=("contacts.2.email: not an address",))
    assert forget_departed(ledger, [damaged], {LARKSPUR.id}) == 0
    assert forget_departed(ledger, [], {LARKSPUR.id}) == 0  # the whole file is set aside
    assert told(ledger) == {"owner", "neighbour"}


def test_the_people_of_a_site_that_is_gone_are_forgotten(ledger: Ledger) -> None:
    forget_departed(ledger, [site(OWNER, NEIGHBOUR)], {LARKSPUR.id})
    assert forget_departed(ledger, [], set()) == 2
    assert told(ledger) == set()
    assert ledger.notes("people") == {}


def test_a_name_in_an_open_alarm_of_the_manager_is_forgotten_with_its_contact(ledger: Ledger) -> None:
    house = House()
    house.hold(10, high_water=True)
    [alarm] = house.manager.alarms()
    house.manager.acknowledge(alarm.id, "neighbour", house.now_ms)
    kept = Checkpoint(LARKSPUR.id, None, house.now_ms, packed(house.manager.snapshot()))
    ledger.commit_transitions([], [], [kept])
    forget_departed(ledger, [site(OWNER, NEIGHBOUR)], {LARKSPUR.id})
    assert [a.acknowledged_by for a in restored_manager(LARKSPUR, ledger).alarms()] == ["neighbour"]
    forget_departed(ledger, [site(OWNER)], {LARKSPUR.id})
    [left] = restored_manager(LARKSPUR, ledger).alarms()
    assert left.acknowledged_by == ""
    assert left.state is AlarmState.ACKNOWLEDGED


def test_a_browser_with_the_name_of_a_contact_who_is_removed_goes_on_without_it(ledger: Ledger) -> None:
    """By a name that is a contact's no longer, and nowhere else's: those of the house, and those of all houses."""
    elsewhere = replace(LARKSPUR, id="elder", contacts=(OWNER,))
    both = {LARKSPUR.id, "elder"}
    for number, (where, label) in enumerate([(None, "Owner "), (LARKSPUR.id, "owner"), ("elder", "owner")]):
        held = PushSubscription(f"b{number}", f"https://push.example.org/{number}", "", "", where, label, START_MS)
        ledger.save_subscription(held)
    forget_departed(ledger, [site(OWNER, NEIGHBOUR), elsewhere], both)
    forget_departed(ledger, [site(NEIGHBOUR), elsewhere], both)
    assert [held.label for held in ledger.subscriptions()] == ["Owner ", "a browser", "owner"]
    forget_departed(ledger, [site(NEIGHBOUR), replace(elsewhere, contacts=())], both)
    assert [held.label for held in ledger.subscriptions()] == ["a browser"] * 3


def test_no_table_of_the_ledger_keeps_a_name_that_was_forgotten(tmp_path: Path) -> None:
    """Every column of every table, looked through after a person did and was told all that can be done and told."""
    who = "Margarethe Sample"
    address = f"sqlite:///{tmp_path / 'all.db'}"
    with closing(open_ledger(address)) as ledger:
        house = House(site=site(Contact(who, email="m@example.org", phone="+1 555 0199"), OWNER))
        house.hold(10, high_water=True)
        [alarm] = house.manager.alarms()
        done = house.manager.acknowledge(alarm.id, who, house.now_ms)
        point = Checkpoint(LARKSPUR.id, None, house.now_ms, house.manager.snapshot())
        owed = [item for one in (*house.said, *done) for item in deliveries(one, house.manager.site, one.at_ms)]
        ledger.commit_transitions([*house.said, *done], owed, [point])
        ledger.request("acknowledge", alarm.id, f'{{"by":"{who}"}}', START_MS)
        ledger.save_test(DischargeTest(f"{LARKSPUR.id}:1", LARKSPUR.id, START_MS, who))
        ledger.save_work(WorkDone("w", LARKSPUR.id, START_MS, WorkKind.CLEANED, "the pit", who, START_MS))
        ledger.save_subscription(PushSubscription("b", "https://push.example.org/1", "", "", None, who, START_MS))
        forget_departed(ledger, [house.manager.site], {LARKSPUR.id})
        assert told_of(tmp_path, who) >= {"alarms", "checkpoints", "deliveries", "notes", "tests", "work"}
        forget_departed(ledger, [site(OWNER)], {LARKSPUR.id})
    assert told_of(tmp_path, who) == set()


def told_of(folder: Path, name: str) -> set[str]:
    """The tables in which a name stands, packed or plain."""
    found = set()
    with closing(sqlite3.connect(folder / "all.db")) as database:
        tables = [row[0] for row in database.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        for table in tables:
            for value in (value for row in database.execute(f"SELECT * FROM {table}") for value in row):
                raw = value if isinstance(value, bytes) else str(value).encode()
                plain = unpacked(raw) if table == "checkpoints" and isinstance(value, bytes) else raw
                if name.encode() in plain:
                    found.add(table)
    return found
