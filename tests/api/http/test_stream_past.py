"""What a client of the stream missed and its server does not remember comes from the ledger, each thing once."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from api.http.feeding import Feeder
from api.http.stream import EVERY_KIND, REPLAY_LIMIT, Hub, StreamKind
from api.http.stream_past import LATE_MS, STEP
from api.http.stream_state import whole_stream
from collector.store.open import open_ledger
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, AlarmTransition, Priority, TransitionKind
from forecaster.domain.ports import Ledger
from forecaster.domain.records import StoredForecast
from forecaster.domain.runs import Supply, Transfer
from tests.api.http.test_feeding import SITE
from tests.scenario import NOW_MS, services

SITES = ("larkspur", "larkspur-9")
SECOND = 1_000


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with closing(open_ledger(f"sqlite:///{tmp_path}/ledger.db", owner=True)) as made:
        yield made


def hub_of(ledger: Ledger, boot: str, at_ms: int = NOW_MS) -> Hub:
    """The hub of a server that has just begun."""
    return Hub(boot, ledger.newest_change(), now_ms=lambda: at_ms)


def changed(ledger: Ledger, revision: int, site: str = "larkspur", at_ms: int = NOW_MS) -> None:
    """An alarm changes, and nobody publishes it."""
    alarm = Alarm(
        f"{site}:mains-lost:1", site, AlarmKind.MAINS_LOST, Priority.HIGH, AlarmState.UNACKNOWLEDGED, 1,
        NOW_MS, at_ms, "The mains is lost", "Look at the breaker", "The pack runs down", revision=revision,
    )  # fmt: skip
    ledger.commit_transitions([AlarmTransition(alarm, TransitionKind.UPDATED, at_ms)], [], [])


def carried(ledger: Ledger, by: str, at_ms: int, site: str = "larkspur") -> None:
    """A forecast is kept; the supply may have changed with it."""
    ledger.record([Transfer(site, at_ms, Supply(by), True)])
    text = json.dumps({"site": site, "supply": by, "issued_at": at_ms})
    ledger.publish([StoredForecast(site, at_ms, text, past=True)])


def heard(
    hub: Hub, ledger: Ledger, last_id: str | None, kinds: frozenset[StreamKind] = EVERY_KIND,
    sites: tuple[str, ...] = SITES, most: int = 10_000,
) -> list[tuple[str, str, str]]:  # fmt: skip
    """(kind, what, id) of the events before anything new happens: revision, or who carries and when, or nothing."""

    async def scenario() -> list[tuple[str, str, str]]:
        found: list[tuple[str, str, str]] = []
        client = hub.join(None if sites == SITES else frozenset(sites), last_id, kinds)
        hub.close()
        async for event in whole_stream(client, hub, ledger, sites):
            if event.data is not None and len(found) < most:
                data = json.loads(str(event.data))
                told = f"{data['site']} {data['revision']}" if event.event == "alarm" else ""
                told = f"{data['supply']} {data['issued_at'] - NOW_MS}" if event.event == "forecast" else told
                found.append((str(event.event), told, str(event.id)))
        return found

    return asyncio.run(scenario())


def told(events: list[tuple[str, str, str]]) -> list[tuple[str, str]]:
    return [(kind, what) for kind, what, _ in events]


def last_id(hub: Hub, ledger: Ledger) -> str:
    """The id with which a client goes that has had the state and nothing more."""
    return heard(hub, ledger, None)[-1][2]


def test_an_alarm_that_came_and_went_while_no_server_ran_is_an_event(ledger: Ledger) -> None:
    """In the order of the commits, whatever time they bear; those that it had heard, and others' sites, do not come."""
    changed(ledger, 0)
    seen = last_id(hub_of(ledger, "aaaa"), ledger)
    changed(ledger, 1)
    changed(ledger, 2, at_ms=NOW_MS - 9_000 * SECOND)
    changed(ledger, 0, "larkspur-9")
    found = heard(hub_of(ledger, "bbbb"), ledger, seen)
    alarms = [("alarm", f"larkspur {n}") for n in (1, 2)] + [("alarm", "larkspur-9 0")]
    assert told(found) == [*alarms, ("state", "")]
    assert told(heard(hub_of(ledger, "bbbb"), ledger, seen, sites=("larkspur-9",))) == [*alarms[2:], ("state", "")]
    assert told(heard(hub_of(ledger, "bbbb"), ledger, seen, frozenset({StreamKind.READING}))) == [("state", "")]
    assert told(heard(hub_of(ledger, "bbbb"), ledger, None)) == [("state", "")]


def test_a_supply_that_changed_while_no_server_ran_is_an_event(ledger: Ledger) -> None:
    """Each change once, with its forecast; forecasts that change nothing are left to the list of past ones."""
    carried(ledger, "mains", NOW_MS - LATE_MS - SECOND)
    seen = last_id(hub_of(ledger, "aaaa"), ledger)
    for at, by in enumerate(["pack", "pack", "mains", "pack", "mains", "mains"], 1):
        carried(ledger, by, NOW_MS + at * SECOND)
    found = told(heard(hub_of(ledger, "bbbb", NOW_MS + 10 * SECOND), ledger, seen))
    changes = [("forecast", f"{by} {at * SECOND}") for at, by in ((1, "pack"), (3, "mains"), (4, "pack"), (5, "mains"))]
    assert found == [*changes, ("state", "")]


def test_who_is_cut_off_among_them_goes_on_there(ledger: Ledger) -> None:
    """At whichever event: what follows it comes, also by yet another server, and nothing is missed."""
    seen = last_id(hub_of(ledger, "aaaa"), ledger)
    carried(ledger, "pack", NOW_MS + SECOND)
    for revision in range(4):
        changed(ledger, revision)
    whole = heard(hub_of(ledger, "bbbb"), ledger, seen)
    for cut in range(1, len(whole) - 1):
        before = heard(hub_of(ledger, "bbbb"), ledger, seen, most=cut)
        after = heard(hub_of(ledger, "cccc"), ledger, before[-1][2])
        assert set(told(before)) | set(told(after)) == set(told(whole))
        assert [event for event in told(after) if event[0] == "alarm"] == told(whole)[max(cut, 1):-1]  # fmt: skip


def test_what_a_server_has_forgotten_comes_from_the_ledger_and_the_rest_from_memory(ledger: Ledger) -> None:
    """In: an alarm remembered, and more forecasts than are. Out: the change of supply and the alarm, each once."""
    hub = hub_of(ledger, "aaaa")
    seen = last_id(Hub("aaaa", 0, now_ms=lambda: NOW_MS), ledger)
    carried(ledger, "pack", NOW_MS + SECOND)
    changed(ledger, 0)
    ((number, _),) = ledger.changes(0, 10)
    hub.publish(StreamKind.ALARM, "larkspur", json.dumps({"site": "larkspur", "revision": 0}), number)
    for _ in range(REPLAY_LIMIT + 1):
        hub.publish(StreamKind.FORECAST, "larkspur", json.dumps({"supply": "pack", "issued_at": NOW_MS}))
    found = told(heard(hub, ledger, seen))
    assert found == [("forecast", f"pack {SECOND}"), ("alarm", "larkspur 0"), ("state", "")]


def test_what_changes_as_a_client_joins_comes_once(ledger: Ledger) -> None:
    """A change that the server has not looked at yet is left to its next look."""
    hub, seen = hub_of(ledger, "bbbb"), last_id(hub_of(ledger, "aaaa"), ledger)
    changed(ledger, 0)
    assert told(heard(hub, ledger, seen)) == [("state", "")]


def test_very_many_come_page_by_page(ledger: Ledger) -> None:
    seen = last_id(hub_of(ledger, "aaaa"), ledger)
    alarm = Alarm(
        "larkspur:mains-lost:1", "larkspur", AlarmKind.MAINS_LOST, Priority.HIGH, AlarmState.UNACKNOWLEDGED, 1,
        NOW_MS, NOW_MS, "The mains is lost", "Look at the breaker", "The pack runs down",
    )  # fmt: skip
    many = [AlarmTransition(replace(alarm, revision=n), TransitionKind.UPDATED, NOW_MS) for n in range(2 * STEP + 1)]
    ledger.commit_transitions(many, [], [])
    found = told(heard(hub_of(ledger, "bbbb"), ledger, seen))
    assert found == [*(("alarm", f"larkspur {n}") for n in range(2 * STEP + 1)), ("state", "")]


def test_an_id_of_another_ledger_is_none_of_ours(ledger: Ledger) -> None:
    """One of a ledger that had seen more (it was lost, or an older backup stands in its place)."""
    changed(ledger, 0)
    assert told(heard(hub_of(ledger, "bbbb"), ledger, f"aaaa-7-{10**17}-{NOW_MS}")) == [("state", "")]


def test_a_server_that_only_serves_knows_what_it_did_not_publish(tmp_path: Path) -> None:
    """While nobody listens no forecast is published: who comes back to the same server has the ledger's instead."""
    with closing(services(tmp_path, {SITE.id: SITE})) as held:
        feeder = Feeder(held.installation.sites, held.store, held.ledger, held.hub)

        async def away() -> tuple[bool, bool]:
            client = held.hub.join(None)
            feeder.look()
            back = held.hub.join(None, str(client.joined_at))
            for one in (client, back):
                held.hub.leave(one)
            feeder.look()
            return back.resumed, held.hub.join(None, str(client.joined_at)).resumed

        assert asyncio.run(away()) == (True, False)
