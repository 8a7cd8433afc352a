"""People who are no longer contacts are forgotten; nobody is, where a part of the file only cannot be read."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from collector.store.open import open_ledger
from forecaster.domain.alarms import AlarmState
from forecaster.domain.ports import Ledger
from forecaster.domain.records import Checkpoint, Delivery
from forecaster.domain.site import Contact, Site
from forecaster.live.departed import forget_departed
from forecaster.live.site_runner import packed, restored_manager
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
