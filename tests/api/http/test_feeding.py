"""A process that serves alone tells the stream what other processes wrote."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from api.http.feeding import READING_SITES, Feeder
from api.http.stream import Subscription
from api.process.parts import EVERYTHING, Part
from api.process.services import Services
from api.process.workers import workers_of
from collector.share import WHOLE
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, AlarmTransition, Priority, TransitionKind
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.records import StoredForecast
from forecaster.twin.live import larkspur_site
from tests.engines import wait_until
from tests.scenario import NOW_MS, services

SITE = larkspur_site()
RAISED = Alarm(
    "larkspur:mains-lost:1", "larkspur", AlarmKind.MAINS_LOST, Priority.HIGH, AlarmState.UNACKNOWLEDGED, 1,
    NOW_MS, NOW_MS, "The mains is lost", "Look at the breaker", "The pack runs down",
)  # fmt: skip


@contextmanager
def two_processes(folder: Path) -> Iterator[tuple[Services, Services, Feeder]]:
    """Who writes, who serves, and the feeder of the latter; each with stores of its own over the same files."""
    writes, serves = services(folder, {SITE.id: SITE}), services(folder, {SITE.id: SITE})
    try:
        yield writes, serves, Feeder(serves.installation.sites, serves.store, serves.ledger, serves.hub)
    finally:
        writes.close()
        serves.close()


def heard(client: Subscription, hub_services: Services) -> list[tuple[str, str]]:
    """(kind, data) of all that waits for a client; its stream is closed afterwards."""

    async def scenario() -> list[tuple[str, str]]:
        return [(str(event.event), str(event.data)) async for event in client.events()]

    hub_services.hub.close()
    return asyncio.run(scenario())


def joined(serves: Services, sites: frozenset[str] | None = None) -> Subscription:
    async def join() -> Subscription:
        return serves.hub.join(sites)

    return asyncio.run(join())


def raised(revision: int = 0, kind: TransitionKind = TransitionKind.RAISED, at_ms: int = NOW_MS) -> AlarmTransition:
    return AlarmTransition(replace(RAISED, revision=revision), kind, at_ms)


def reading(at_ms: int, value: float) -> Reading:
    return Reading("larkspur", Quantity.PUMP_POWER, at_ms, value, at_ms)


def test_forecasts_transitions_and_readings_of_another_process_are_told_once(tmp_path: Path) -> None:
    with two_processes(tmp_path) as (writes, serves, feeder):
        writes.store.append([reading(NOW_MS, 1.0)])
        client = joined(serves, frozenset({"larkspur"}))
        feeder.look()
        writes.ledger.publish([StoredForecast("larkspur", NOW_MS, '"first"')])
        writes.ledger.commit_transitions(
            [raised(), raised(1, TransitionKind.REMINDED, NOW_MS + 9_000), raised(2, TransitionKind.ACKNOWLEDGED)],
            [], [],
        )  # fmt: skip
        writes.store.append([reading(NOW_MS + 1_000, 2.0)])
        feeder.look()
        feeder.look()
        writes.ledger.publish([StoredForecast("larkspur", NOW_MS + 1, '"second"')])
        writes.ledger.commit_transitions([raised(3, TransitionKind.CLEARED, NOW_MS + 10_000)], [], [])
        feeder.look()
        events = heard(client, serves)
    assert [data for kind, data in events if kind == "forecast"] == ['"first"', '"second"']
    alarms = [json.loads(data) for kind, data in events if kind == "alarm"]
    assert [(a["revision"], a["transition"]) for a in alarms] == [
        (0, "raised"), (1, "reminded"), (2, "acknowledged"), (3, "cleared")
    ]  # fmt: skip
    assert [json.loads(data)["value"] for kind, data in events if kind == "reading"] == [2.0]
    assert feeder.counts()[0][3] == len(events)


def test_what_stood_before_the_start_is_no_news_but_the_newest_forecast_is(tmp_path: Path) -> None:
    """A page that has just loaded gets the forecast of this moment, and no alarm of last year."""
    with closing(services(tmp_path, {SITE.id: SITE})) as before:
        before.ledger.commit_transitions([raised()], [], [])
        before.ledger.publish([StoredForecast("larkspur", NOW_MS, '"newest"')])
    with two_processes(tmp_path) as (_, serves, feeder):
        client = joined(serves)
        feeder.look()
        feeder.look()
        assert heard(client, serves) == [("forecast", '"newest"')]


def test_alarms_are_kept_for_those_who_come_back(tmp_path: Path) -> None:
    with two_processes(tmp_path) as (writes, serves, feeder):
        feeder.look()
        writes.ledger.commit_transitions([raised()], [], [])
        feeder.look()

        async def come_back() -> Subscription:
            return serves.hub.join(None, f"{serves.hub.boot}-0-0-0")

        assert [event.kind.value for event in asyncio.run(come_back()).missed] == ["alarm"]


def test_readings_of_very_many_sites_are_left_out(tmp_path: Path) -> None:
    """Where one client listens to a whole fleet, its forecasts and alarms come and its readings do not."""
    sites = {f"s{n}": replace(SITE, id=f"s{n}") for n in range(READING_SITES + 1)}
    writes = services(tmp_path, sites)
    feeder = Feeder(sites, writes.store, writes.ledger, writes.hub)
    client = joined(writes)
    feeder.look()
    writes.store.append([Reading("s1", Quantity.PUMP_POWER, NOW_MS, 1.0, NOW_MS)])
    writes.ledger.publish([StoredForecast("s1", NOW_MS, "1")])
    feeder.look()
    assert heard(client, writes) == [("forecast", "1")]
    writes.close()


def test_a_store_that_is_away_is_told_and_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with two_processes(tmp_path) as (writes, serves, feeder):
        feeder.look()
        away = True
        real = serves.ledger.changes

        def changes(after: int, limit: int) -> list[tuple[int, AlarmTransition]]:
            if away:
                raise StoreUnavailable("the ledger is away")
            return real(after, limit)

        monkeypatch.setattr(serves.ledger, "changes", changes)
        client = joined(serves)
        feeder.start()
        try:
            wait_until(lambda: feeder.troubles() == [("feeder", "the ledger is away")], "the feeder")
            writes.ledger.commit_transitions([raised()], [], [])
            away = False
            feeder.wake()
            wait_until(lambda: feeder.counts()[0][3] == 1.0, "the feeder")
            wait_until(lambda: feeder.troubles() == [], "the feeder")
            assert feeder.alive()
        finally:
            feeder.stop()
        assert not feeder.alive()
        assert [kind for kind, _ in heard(client, serves)] == ["alarm"]


def test_it_runs_only_where_no_forecaster_does(tmp_path: Path) -> None:
    held = services(tmp_path, {SITE.id: SITE})

    def names(parts: frozenset[Part]) -> set[str]:
        return {type(worker).__name__ for worker in workers_of(held, parts, WHOLE)}

    assert names(frozenset({Part.SERVE})) == {"Feeder"}
    assert "Feeder" not in names(EVERYTHING)
    assert "Feeder" not in names(frozenset({Part.COLLECT, Part.FORECAST}))
    held.close()
