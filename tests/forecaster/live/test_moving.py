"""Sites that come and go while a forecaster runs: each reading folded once, nothing written late, no request missed."""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from api.process.services import Services
from collector.store.ledger import SqlLedger
from forecaster.domain.alarms import AlarmKind, AlarmState
from forecaster.domain.errors import StaleLease
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Run
from forecaster.domain.site import Site
from forecaster.engine import Engine
from forecaster.live.moving import MovingForecastWorker
from tests.forecaster.live.test_worker import calm, nothing_planned, recorded, until
from tests.scenario import NOW_MS, HeldClock, services

__all__ = ["recorded"]


class ToldFence:
    """A fence that a test closes for some sites."""

    def __init__(self) -> None:
        self.closed: dict[str, str] = {}
        self.refused = 0

    def check(self, _connection: object, sites: Collection[str] | None, /) -> None:
        names = {self.closed[site] for site in (self.closed if sites is None else sites) if site in self.closed}
        if names:
            self.refused += 1
            raise StaleLease(tuple(names), "another member carries this by now")


class Desk:
    """A ledger and store with one or more forecasters on them, each behind a fence of its own."""

    def __init__(self, held: Services) -> None:
        self.held, self.clock = held, held.clock
        self.begun: list[MovingForecastWorker] = []

    def worker(self, fence: ToldFence | None = None) -> MovingForecastWorker:
        ledger = self.held.ledger
        assert isinstance(ledger, SqlLedger)
        made = MovingForecastWorker(
            self.held.store, ledger.fenced(fence or ToldFence()), self.held.clock,
            plan=nothing_planned, outside=calm, on_dropped=lambda _: None,
        )  # fmt: skip
        made.start()
        self.begun.append(made)
        return made

    def runs(self, site: str) -> list[Run]:
        return sorted(self.held.ledger.runs(site, 0, NOW_MS + 1, 1_000).runs, key=lambda run: run.start_ms)

    def has(self, site: str, runs: Sequence[Run]) -> bool:
        return self.runs(site) == runs

    def issued(self, site: str) -> bool:
        return site in self.held.ledger.issued()


@pytest.fixture
def houses(recorded: tuple[Site, list[Reading]]) -> tuple[dict[str, Site], list[Reading]]:
    """Larkspur and two houses like it: the same readings, house by house at each time."""
    site, readings = recorded
    names = (site.id, "elder", "hazel")
    sites = {name: replace(site, id=name) for name in names}
    return sites, [replace(reading, site=name) for reading in readings for name in names]


@pytest.fixture
def desk(tmp_path: Path, houses: tuple[dict[str, Site], list[Reading]]) -> Iterator[Desk]:
    made = Desk(services(tmp_path, houses[0], clock=HeldClock(NOW_MS)))
    yield made
    for worker in made.begun:
        worker.stop()
    made.held.close()


def one_fold(site: Site, readings: Sequence[Reading]) -> list[Run]:
    engine = Engine(site)
    for reading in readings:
        if reading.site == site.id:
            engine.update(reading)
    return [event for event in engine.events() if isinstance(event, Run)]


def test_a_group_that_moves_about_is_folded_as_if_it_had_stayed(
    desk: Desk, houses: tuple[dict[str, Site], list[Reading]]
) -> None:
    """In: three groups; one moves to another forecaster under way, one at the end. Out: the runs of one fold."""
    sites, readings = houses
    cut = len(readings) // 3
    first, second = desk.worker(), desk.worker()
    for name, site in sites.items():
        first.adopt(f"forecast-{name}", {name: site})
    desk.held.store.append(readings[:cut])
    until(lambda: all(desk.issued(name) for name in sites))
    first.let_go("forecast-elder", lost=False)
    until(lambda: first.working() == {"forecast-larkspur", "forecast-hazel"})
    desk.held.store.append(readings[cut : 2 * cut])
    second.adopt("forecast-elder", {"elder": sites["elder"]})
    desk.held.store.append(readings[2 * cut :])
    whole = {name: one_fold(site, readings) for name, site in sites.items()}
    for name, runs in whole.items():
        until(partial(desk.has, name, runs))
    first.let_go("forecast-hazel", lost=False)
    until(lambda: first.working() == {"forecast-larkspur"})
    second.adopt("forecast-hazel", {"hazel": sites["hazel"]})
    until(lambda: second.working() == {"forecast-elder", "forecast-hazel"})
    second.stop()
    first.stop()
    assert (first.working(), second.working()) == (frozenset(), frozenset())
    for name, runs in whole.items():
        kept = desk.held.ledger.checkpoint("engine", name)
        assert kept is not None
        assert desk.runs(name) == runs
        assert desk.held.store.tail(kept.cursor, 10, frozenset({name})).readings == ()


@pytest.mark.slow
def test_what_is_lost_is_not_written_and_the_others_go_on(
    desk: Desk, houses: tuple[dict[str, Site], list[Reading]]
) -> None:
    """In: a lease that is another's while three sites are forecast. Out: nothing of it, the others all the same."""
    sites, readings = houses
    fence = ToldFence()
    worker = desk.worker(fence)
    for name, site in sites.items():
        worker.adopt(f"forecast-{name}", {name: site})
    fence.closed["elder"] = "forecast-elder"
    desk.held.store.append(readings)
    until(lambda: desk.issued("larkspur") and desk.issued("hazel"))
    until(lambda: worker.working() == {"forecast-larkspur", "forecast-hazel"})
    worker.stop()
    assert fence.refused > 0
    assert not desk.issued("elder")
    assert desk.runs("elder") == []
    assert desk.held.ledger.checkpoint("engine", "elder") is None
    assert desk.runs("larkspur") == one_fold(sites["larkspur"], readings)
    assert worker.troubles() == []


@pytest.mark.slow
def test_what_is_let_go_as_lost_is_not_written(desk: Desk, houses: tuple[dict[str, Site], list[Reading]]) -> None:
    sites, readings = houses
    worker = desk.worker()
    worker.adopt("forecast-elder", {"elder": sites["elder"]})
    desk.held.store.append(readings)
    until(lambda: desk.issued("elder"))
    before = desk.held.ledger.checkpoint("engine", "elder")
    worker.let_go("forecast-elder", lost=True)
    until(lambda: worker.working() == frozenset())
    worker.stop()
    assert desk.held.ledger.checkpoint("engine", "elder") == before


def test_what_is_lost_while_it_is_let_go_is_dropped_all_at_once(
    desk: Desk, houses: tuple[dict[str, Site], list[Reading]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """In: a forecaster that stands still while it is to let three groups go, all of which others have by then. Out: it
    is rid of all of them after one refused write, and does not rest in between: nobody wakes it, and it rests an hour.
    """
    fence, gate = ToldFence(), threading.Event()
    gate.set()
    tail = desk.held.store.tail

    def held(*asked: Any, **named: Any) -> Any:
        gate.wait(60.0)
        return tail(*asked, **named)

    monkeypatch.setattr(desk.held.store, "tail", held)
    worker = desk.worker(fence)
    for name, site in houses[0].items():
        worker.adopt(f"forecast-{name}", {name: site})
    until(lambda: all(desk.issued(name) for name in houses[0]))
    gate.clear()
    monkeypatch.setattr("forecaster.live.worker.POLL_S", 3600.0)
    fence.closed = {name: f"forecast-{name}" for name in houses[0]}
    for name in houses[0]:
        worker.let_go(f"forecast-{name}", lost=False)
    gate.set()
    until(lambda: worker.working() == frozenset())
    assert fence.refused == 1


def test_groups_that_catch_up_do_not_wait_for_news(
    desk: Desk, houses: tuple[dict[str, Site], list[Reading]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """In: three groups with far more to read than one turn allows, while nothing new is stored, and a forecaster that
    rests an hour unless it is woken. Out: it reads on without a rest until they are forecast."""
    sites, readings = houses
    desk.held.store.append(readings)
    monkeypatch.setattr("forecaster.live.worker.POLL_S", 3600.0)
    monkeypatch.setattr("forecaster.live.cursor.BATCH", 10)
    monkeypatch.setattr("forecaster.live.moving.MOVE_S", 0.001)
    worker = desk.worker()
    for name, site in sites.items():
        worker.adopt(f"forecast-{name}", {name: site})
    until(lambda: all(desk.issued(name) for name in sites))


def acknowledged(desk: Desk, alarm_id: str) -> Callable[[], bool]:
    return lambda: desk.held.ledger.alarm(alarm_id).state is AlarmState.ACKNOWLEDGED


@pytest.mark.slow
def test_what_people_ask_while_nobody_has_the_site_is_done_by_who_takes_it(
    desk: Desk, houses: tuple[dict[str, Site], list[Reading]]
) -> None:
    """In: an acknowledgement after one forecaster ended, while another that had other sites read on. Out: obeyed."""
    sites, readings = houses
    clock = desk.held.clock
    assert isinstance(clock, HeldClock)
    first, second = desk.worker(), desk.worker()
    first.adopt("forecast-elder", {"elder": sites["elder"]})
    second.adopt("forecast-hazel", {"hazel": sites["hazel"]})
    desk.held.store.append(readings)

    def standing() -> list[str]:
        clock.move(5)
        for worker in desk.begun:
            worker.wake()
        alarms = desk.held.ledger.alarms(None, [AlarmState.UNACKNOWLEDGED])
        return sorted(alarm.id for alarm in alarms if alarm.kind is AlarmKind.MAINS_LOST)

    until(lambda: len(standing()) == 2)
    elder, hazel = standing()
    first.stop()
    for alarm_id in (elder, hazel):
        desk.held.ledger.request("acknowledge", alarm_id, '{"by": "owner"}', clock.now_ms())
    second.wake()
    until(acknowledged(desk, hazel))
    assert not acknowledged(desk, elder)()
    second.adopt("forecast-elder", {"elder": sites["elder"]})
    until(acknowledged(desk, elder))


class HazelsLedger:
    """Takes forecasts of hazel alone: of elder's group another has the lease by now, and of whom it never heard."""

    def __init__(self, stale: str) -> None:
        self.stale = stale
        self.published: list[str] = []

    def publish(self, stored: Sequence[str]) -> None:
        if "elder" in stored:
            raise StaleLease((self.stale,), "another member carries this by now")
        self.published += stored


def test_a_forecast_of_a_site_that_is_lost_meanwhile_keeps_none_of_the_others_back(
    desk: Desk, houses: tuple[dict[str, Site], list[Reading]]
) -> None:
    """In: a lease lost between the fold and the write. Out: the others are published; nobody's lease is an error."""
    told: list[Any] = [SimpleNamespace(site=houses[0][name], stored=name) for name in ("elder", "hazel")]
    for stale in ("forecast-elder", "forecast-oak"):
        ledger: Any = HazelsLedger(stale)
        dropped: list[str] = []
        worker: Any = MovingForecastWorker(
            desk.held.store, ledger, desk.clock, plan=nothing_planned, outside=calm, on_dropped=dropped.append
        )
        worker._groups = {f"forecast-{name}": frozenset({name}) for name in ("elder", "hazel")}
        worker._sites = {name: houses[0][name] for name in ("elder", "hazel")}
        worker._runners = {name: SimpleNamespace(site=site) for name, site in worker._sites.items()}
        with nullcontext() if stale == "forecast-elder" else pytest.raises(StaleLease):
            worker._publish(told)
        assert (ledger.published, dropped) == ((["hazel"], [stale]) if stale == "forecast-elder" else ([], []))
