"""Checkpoints: spread over time, written only where something changed, small, and read back from older releases."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from api.process.services import Services
from forecaster.alarms import AlarmManager
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.records import Checkpoint
from forecaster.domain.site import Site
from forecaster.engine import Engine
from forecaster.live.checkpoints import CHECKPOINT_S, SLICE, CheckpointWriter
from forecaster.live.cursor import CursorGroup
from forecaster.live.site_runner import SiteRunner
from forecaster.twin.live import larkspur_site
from tests.scenario import NOW_MS, HeldClock, services


def runner_of(site: Site) -> SiteRunner:
    return SiteRunner(site, Engine(site), AlarmManager(site))


def blamed(runner: SiteRunner, error: Exception) -> None:
    raise AssertionError(f"{runner.site.id} cannot be kept") from error


def hear(runner: SiteRunner, count: int, from_ms: int = NOW_MS) -> None:
    for number in range(count):
        at_ms = from_ms + number * 10_000
        runner.take(Reading(runner.site.id, Quantity.PUMP_POWER, at_ms, 480.0 * (number % 18 == 0), at_ms))


@pytest.fixture
def held(tmp_path: Path) -> Services:
    return services(tmp_path, {}, clock=HeldClock(NOW_MS))


def test_what_did_not_change_is_not_written_again(held: Services, monkeypatch: pytest.MonkeyPatch) -> None:
    busy, quiet = (runner_of(replace(larkspur_site(), id=name)) for name in ("busy", "quiet"))
    writer = CheckpointWriter({"busy": busy, "quiet": quiet}, held.ledger, held.clock, blamed)
    written: list[tuple[str, str]] = []
    save = held.ledger.save_checkpoints

    def noted(kind: str, checkpoints: Sequence[Checkpoint]) -> None:
        written.extend((kind, checkpoint.site) for checkpoint in checkpoints)
        save(kind, checkpoints)

    monkeypatch.setattr(held.ledger, "save_checkpoints", noted, raising=False)
    both = [CursorGroup(frozenset({"busy", "quiet"}), "x.1")]
    writer.all(both)
    assert sorted(written) == [(kind, site) for kind in ("alarms", "engine") for site in ("busy", "quiet")]
    written.clear()
    hear(busy, 5)
    writer.all([CursorGroup(frozenset({"busy", "quiet"}), "x.2")])
    assert written == [("engine", "busy")]
    kept = held.ledger.checkpoint("engine", "quiet")
    assert kept is not None
    assert kept.cursor == "x.2", "it heard nothing up to there"
    held.close()


def test_slices_are_kept_one_after_the_other_over_the_time_between_two(
    held: Services, monkeypatch: pytest.MonkeyPatch
) -> None:
    moment = [0.0]
    monkeypatch.setattr("forecaster.live.checkpoints.time.monotonic", lambda: moment[0])
    site = larkspur_site()
    template = runner_of(site)
    runners = {
        f"s{n}": SiteRunner(replace(site, id=f"s{n}"), template.engine, template.manager) for n in range(2 * SLICE + 1)
    }
    writer = CheckpointWriter(runners, held.ledger, held.clock, blamed)
    kept: list[int] = []
    monkeypatch.setattr(writer, "keep", lambda part, _cursor: kept.append(len(part)), raising=False)
    lot = [CursorGroup(frozenset(runners), "x.1")]
    for second in range(int(CHECKPOINT_S) + 1):
        moment[0] = float(second)
        writer.turn(lot)
        assert len(kept) <= 1 + second * 3 / CHECKPOINT_S
    assert len(kept) == 3
    assert sum(kept) == len(runners)
    writer.turn([])
    assert len(kept) == 3, "nothing is kept while sites do not stand at one cursor"
    held.close()


@pytest.mark.parametrize(
    ("took_s", "rounds"),
    [(0.1, 10.0), (1.0, 6.0), (10.0, 1.0)],
    ids=["every minute", "a fiftieth of the time", "every ten minutes at least"],
)
def test_where_others_may_take_over_they_are_written_often_as_far_as_there_is_time(
    held: Services, monkeypatch: pytest.MonkeyPatch, took_s: float, rounds: float
) -> None:
    """In: 500 sites, ten minutes, and a slice of 250 that takes so long. Out: how often each is written."""
    moment = [0.0]
    monkeypatch.setattr("forecaster.live.checkpoints.time.monotonic", lambda: moment[0])
    template, site = runner_of(larkspur_site()), larkspur_site()
    runners = {
        f"s{n}": SiteRunner(replace(site, id=f"s{n}"), template.engine, template.manager) for n in range(2 * SLICE)
    }
    writer = CheckpointWriter(runners, held.ledger, held.clock, blamed, often=True)
    kept: list[int] = []

    def keep(part: list[SiteRunner], _cursor: str | None) -> None:
        kept.append(len(part))
        moment[0] += took_s

    monkeypatch.setattr(writer, "keep", keep, raising=False)
    while moment[0] < 10 * CHECKPOINT_S:
        writer.turn([CursorGroup(frozenset(runners), "x.1")])
        moment[0] += 0.5
    assert sum(kept) / len(runners) == pytest.approx(10 * rounds, rel=0.25)
    held.close()


def test_a_state_is_kept_small_and_read_back(held: Services) -> None:
    runner = runner_of(larkspur_site())
    hear(runner, 3_000)
    runner.drain()
    writer = CheckpointWriter({runner.site.id: runner}, held.ledger, held.clock, blamed)
    writer.all([CursorGroup(frozenset({runner.site.id}), "x.9")])
    kept = held.ledger.checkpoint("engine", runner.site.id)
    assert kept is not None
    assert len(kept.state) < 0.6 * len(runner.engine.snapshot())
    again, cursor = SiteRunner.restored(runner.site, held.ledger, 0)
    assert cursor == "x.9"
    assert again.engine.snapshot() == runner.engine.snapshot()
    held.close()


def test_a_state_kept_plain_by_an_older_release_is_read(held: Services) -> None:
    runner = runner_of(larkspur_site())
    hear(runner, 50)
    plain = runner.engine.snapshot()
    held.ledger.save_checkpoints("engine", [Checkpoint(runner.site.id, "x.3", NOW_MS, plain)])
    held.ledger.save_checkpoints("alarms", [Checkpoint(runner.site.id, None, NOW_MS, runner.manager.snapshot())])
    again, cursor = SiteRunner.restored(runner.site, held.ledger, 0)
    assert (again.engine.snapshot(), cursor) == (plain, "x.3")
    held.close()


def test_a_damaged_state_starts_the_site_anew(held: Services) -> None:
    runner = runner_of(larkspur_site())
    held.ledger.save_checkpoints("engine", [Checkpoint(runner.site.id, "x.3", NOW_MS, b"\x78\x01 no zlib at all")])
    again, cursor = SiteRunner.restored(runner.site, held.ledger, 0)
    assert cursor is None
    assert again.engine.snapshot() == Engine(runner.site).snapshot()
    held.close()
