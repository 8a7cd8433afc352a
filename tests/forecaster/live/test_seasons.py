"""What the daily study learns of a season reaches the forecast, live as in a fold by hand, and after a restart."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest

from api.process.services import Services
from forecaster.domain.longrecord import StudyRecord
from forecaster.domain.readings import Reading
from forecaster.domain.site import Site
from forecaster.engine import Engine
from forecaster.engine.document import document
from forecaster.live import seasons
from forecaster.live.seasons import SeasonView
from forecaster.live.site_runner import SiteRunner, restored_manager
from forecaster.water.seasonal import SeasonStudy
from tests.forecaster.live.test_worker import document as newest
from tests.forecaster.live.test_worker import recorded, until, worker
from tests.forecaster.water.test_expected import WET, study
from tests.scenario import NOW_MS, HeldClock, services

__all__ = ["recorded"]


def saved(made_ms: int, season: SeasonStudy | None) -> StudyRecord:
    """The season's study as the ledger keeps it; None: too few days to learn one."""
    draws = None if season is None else season.belief.document()
    text = msgspec.json.encode({"says": "", "draws": draws}).decode()
    return StudyRecord("larkspur", "season", made_ms, made_ms, text)


@pytest.fixture
def held(tmp_path: Path, recorded: tuple[Site, list[Reading]]) -> Iterator[Services]:
    """A pack that lasts for about a week, so that days beyond the second count."""
    site = recorded[0]
    lasting = replace(site, pack=replace(site.pack, capacity_wh=12_000.0))
    made = services(tmp_path, {site.id: lasting}, clock=HeldClock(NOW_MS))
    made.store.append(recorded[1])
    yield made
    made.close()


def folded(held: Services, readings: list[Reading], season: SeasonStudy | None) -> dict[str, object]:
    engine = Engine(held.installation.sites["larkspur"])
    for reading in readings:
        engine.update(reading)
    if season is not None:
        engine.expect_season(season)
    return dict(document(engine.forecast(NOW_MS)))


def test_live_rests_on_the_study_as_a_fold_by_hand_does(held: Services, recorded: tuple[Site, list[Reading]]) -> None:
    held.ledger.save_study(saved(NOW_MS, study(WET)))
    first = worker(held)
    first.start()
    until(lambda: "larkspur" in held.ledger.newest(), within_s=600.0)
    first.stop()
    by_hand = folded(held, recorded[1], study(WET, made_ms=NOW_MS))
    assert newest(held)["hours_remaining"] == by_hand["hours_remaining"]
    assert by_hand["hours_remaining"] != folded(held, recorded[1], None)["hours_remaining"]
    kept = SiteRunner.restored(held.installation.sites["larkspur"], held.ledger, 0)[0].engine
    assert document(kept.forecast(NOW_MS))["hours_remaining"] == by_hand["hours_remaining"]


def test_a_site_without_a_study_is_as_before_and_a_damaged_one_holds_up_nobody(
    held: Services, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(seasons, "HAND_S", 0.0)
    site = held.installation.sites["larkspur"]
    runner = SiteRunner(site, Engine(site), restored_manager(site, held.ledger))
    blamed: list[str] = []

    def blame(of: SiteRunner, error: Exception) -> None:
        blamed.append(f"{of.site.id}: {type(error).__name__}")

    before = runner.engine.snapshot()
    SeasonView(held.ledger).step([runner], blame)
    held.ledger.save_study(saved(NOW_MS, None))
    SeasonView(held.ledger).step([runner], blame)
    assert (blamed, runner.engine.snapshot()) == ([], before)
    held.ledger.save_study(StudyRecord("larkspur", "season", NOW_MS, NOW_MS + 1, '{"draws": {"mean": []}}'))
    view = SeasonView(held.ledger)
    view.step([runner], blame)
    view.step([runner], blame)
    assert blamed == ["larkspur: KeyError"]
    assert runner.engine.snapshot() == before
