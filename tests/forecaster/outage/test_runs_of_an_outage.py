"""Runs of a long outage: all of them are read, drawn as marks that cover them, and rain is drawn up to now only."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.pages.outagestrip import drawn_runs
from api.pages.ports import PagePorts
from api.pages.stripdata import StripWindow, rain_steps
from api.process.services import Services
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Outage, Run, Supply
from forecaster.domain.site import Channel
from forecaster.domain.times import HOUR_MS, MINUTE_MS
from forecaster.outage.runs import all_runs
from forecaster.outage.story import story_of
from tests.api.pagesample import runs, site
from tests.scenario import NOW_MS, services


@pytest.fixture
def held(tmp_path: Path) -> Iterator[Services]:
    made = services(tmp_path, {"larkspur": site()})
    yield made
    made.close()


def test_a_story_counts_more_runs_than_a_page_of_the_ledger_holds(held: Services) -> None:
    """12,000 runs of 10 s, one each 30 s."""
    held.ledger.record(runs(count=12_000, every_ms=30_000))
    outage = Outage("larkspur", NOW_MS - 12_001 * 30_000, None, False, 100.0)
    told = story_of(held.store, held.ledger, held.installation.sites["larkspur"], outage, NOW_MS)
    assert (told.water.runs, told.water.run_s, told.runs_cut) == (12_000, 120_000.0, False)


@pytest.mark.parametrize("most", [1, 7, 5_000, 5_001, 6_000])
def test_of_more_runs_than_are_read_the_newest_are_kept(held: Services, most: int) -> None:
    made = runs(count=5_500, every_ms=20_000)
    held.ledger.record(made)
    assert all_runs(held.ledger, "larkspur", 0, NOW_MS, most) == made[-most:]


@given(st.lists(st.tuples(st.integers(0, 500), st.integers(0, 100)), max_size=60), st.integers(1, 200))
def test_marks_cover_every_run_and_are_few(found: list[tuple[int, int]], width_ms: int) -> None:
    """Worked the other way round: each run lies within one mark, and marks stand apart by a width at least."""
    begun, made = 0, []
    for wait, length in found:
        begun += wait
        made.append(Run("larkspur", begun, begun + length, 1.0, 500.0, None, Quantity.PUMP_POWER, Supply.PACK, 2))
        begun += length
    marks = drawn_runs(made, width_ms)
    for run in made:
        assert sum(start <= run.start_ms and run.stop_ms <= stop for start, stop in marks) >= 1
    assert all(later[0] - earlier[1] >= width_ms for earlier, later in pairwise(marks))


@pytest.mark.parametrize("quantity", [Quantity.RAIN_DEPTH, Quantity.RAIN_RATE])
@pytest.mark.parametrize("minute", [0, 1, 30, 59])
def test_rain_is_drawn_no_further_than_now(tmp_path: Path, quantity: Quantity, minute: int) -> None:
    house = site()
    rained = Channel(quantity, "cellar/rain", None, "mm" if quantity is Quantity.RAIN_DEPTH else "mm/hour")
    made = services(tmp_path, {"larkspur": house})
    now_ms = NOW_MS // HOUR_MS * HOUR_MS + minute * MINUTE_MS
    told = [now_ms - 90 * MINUTE_MS, now_ms - MINUTE_MS, now_ms]
    made.store.append([Reading("larkspur", quantity, at_ms, 2.0, at_ms) for at_ms in told])
    ports = PagePorts(made.installation.sites, made.store, made.ledger, made.clock)
    wet = replace(house, channels=(rained,))
    steps = rain_steps(ports, wet, StripWindow(now_ms, now_ms - 3 * HOUR_MS, now_ms + HOUR_MS))
    made.close()
    assert steps
    assert all(begin < stop <= now_ms for begin, stop, _ in steps)
