"""Looking for forecasts that were not taken yet: each once, none missed, and few rows read."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from api.http.newest import LATE_MS, Untaken
from collector.store.open import open_ledger
from forecaster.domain.ports import Ledger
from forecaster.domain.records import StoredForecast
from tests.scenario import NOW_MS


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with closing(open_ledger(f"sqlite:///{tmp_path / 'outlast.db'}")) as opened:
        yield opened


def publish(ledger: Ledger, *told: tuple[str, int]) -> None:
    ledger.publish([StoredForecast(site, NOW_MS + at_ms, f'"{site} {at_ms}"') for site, at_ms in told])


def taken(untaken: Untaken, *sites: str) -> list[tuple[str, int]]:
    found = []
    for stored in untaken.look(sites):
        untaken.take(stored)
        found.append((stored.site, stored.issued_ms - NOW_MS))
    return sorted(found)


def test_each_forecast_comes_once(ledger: Ledger) -> None:
    untaken = Untaken(ledger)
    publish(ledger, ("a", 0), ("b", 0))
    assert taken(untaken, "a", "b") == [("a", 0), ("b", 0)]
    assert taken(untaken, "a", "b") == []
    publish(ledger, ("b", 5))
    assert taken(untaken, "a", "b") == [("b", 5)]
    untaken.forget()
    assert taken(untaken, "a", "b") == [("a", 0), ("b", 5)]


def test_a_site_asked_for_later_comes_however_old_its_forecast_is(ledger: Ledger) -> None:
    untaken = Untaken(ledger)
    publish(ledger, ("a", 0), ("b", 10 * LATE_MS))
    assert taken(untaken, "b") == [("b", 10 * LATE_MS)]
    assert taken(untaken, "a", "b") == [("a", 0)]


def test_a_forecast_that_was_offered_and_not_taken_comes_again(ledger: Ledger) -> None:
    untaken = Untaken(ledger)
    publish(ledger, ("a", 0), ("b", 0))
    assert next(untaken.look(["a", "b"]))
    publish(ledger, ("b", 10 * LATE_MS))
    assert taken(untaken, "a", "b") == [("a", 0), ("b", 10 * LATE_MS)]


def test_a_forecast_written_late_is_not_missed(ledger: Ledger) -> None:
    untaken = Untaken(ledger)
    publish(ledger, ("a", LATE_MS), ("b", 0))
    assert taken(untaken, "a", "b") == [("a", LATE_MS), ("b", 0)]
    publish(ledger, ("b", LATE_MS // 2))
    assert taken(untaken, "a", "b") == [("b", LATE_MS // 2)]
