"""The next contact, end to end: told when nobody has acknowledged in time, and left alone when somebody has."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from api.deliver.courier import Courier
from api.deliver.webhook import WebhookCarrier
from forecaster.alarms import AlarmManager
from forecaster.alarms.plan import deliveries
from forecaster.domain.alarms import AlarmKind, AlarmTransition
from forecaster.domain.ports import Ledger
from forecaster.domain.site import Contact, Site
from tests.api.delivering import Receiver, SteppedClock, courier, ledger_in, listening
from tests.forecaster.evidence import LARKSPUR, QUIET, forecast, status

AFTER_MIN = 30.0


@dataclass
class Family:
    """An owner, a neighbour who is next, a manager that watches, and the courier of their webhooks."""

    owner: Receiver
    neighbour: Receiver
    site: Site
    manager: AlarmManager
    ledger: Ledger
    clock: SteppedClock
    carrying: Courier

    def commit(self, transitions: list[AlarmTransition]) -> None:
        """Keep transitions with their deliveries, as the forecaster does."""
        now = self.clock.now_ms()
        owed = [item for one in transitions for item in deliveries(one, self.site, now) if item.channel == "webhook"]
        self.ledger.commit_transitions(transitions, owed, [])

    def minutes(self, count: int, *, wet: bool) -> None:
        """Let minutes pass with the high-water float up or down."""
        for _ in range(2 * count):
            now = self.clock.now_ms()
            self.commit(self.manager.step(status(now, high_water=wet), forecast(now), now, QUIET))
            self.carrying.turn()
            self.clock.advance(30.0)

    def acknowledge(self) -> None:
        """The owner has seen it."""
        [alarm] = self.manager.alarms()
        self.commit(self.manager.acknowledge(alarm.id, "owner", self.clock.now_ms()))


@pytest.fixture
def family(tmp_path: Path) -> Iterator[Family]:
    with ExitStack() as stack:
        owner, neighbour = (stack.enter_context(listening(Receiver())) for _ in range(2))
        contacts = (
            Contact("owner", webhook=owner.url),
            Contact("neighbour", webhook=neighbour.url, after_min=AFTER_MIN),
        )
        site, clock, ledger = replace(LARKSPUR, contacts=contacts), SteppedClock(), ledger_in(tmp_path)
        stack.callback(ledger.close)
        carrier = WebhookCarrier({site.id: site}, clock)
        stack.callback(carrier.close)
        yield Family(owner, neighbour, site, AlarmManager(site), ledger, clock, courier(carrier, ledger, clock))


def test_nobody_acknowledges_and_the_next_is_told(family: Family) -> None:
    family.minutes(int(AFTER_MIN) - 2, wet=True)
    assert len(family.owner.heard) == 1
    assert family.neighbour.heard == []
    family.minutes(4, wet=True)
    assert len(family.neighbour.heard) == 1
    assert AlarmKind.HIGH_WATER.value.encode() in family.neighbour.heard[0].body


def test_acknowledged_in_time_the_next_is_left_alone(family: Family) -> None:
    family.minutes(10, wet=True)
    family.acknowledge()
    family.minutes(120, wet=True)
    assert len(family.owner.heard) == 1
    assert family.neighbour.heard == []


def test_what_is_over_in_time_never_reaches_the_next(family: Family) -> None:
    family.minutes(10, wet=True)
    family.minutes(120, wet=False)
    assert len(family.owner.heard) == 2  # that it began, and that it is over
    assert family.neighbour.heard == []


def test_who_was_told_is_told_the_end_as_well(family: Family) -> None:
    family.minutes(int(AFTER_MIN) + 2, wet=True)
    family.minutes(60, wet=False)
    assert b"Water is below" in family.neighbour.heard[-1].body
