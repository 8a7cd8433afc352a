"""Packs over the years: a fade is told where the tests compared tell it, and another pack begins anew."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecaster.discharge.years import compared
from forecaster.domain.longrecord import PartState
from forecaster.domain.runs import Outage
from forecaster.domain.times import DAY_MS, HOUR_MS, YEAR_DAYS
from forecaster.health.packs import FADED, capacity, capacity_points
from tests.forecaster.health.packlife import judged, pack_life, renewed
from tests.forecaster.health.scored import TOLD
from tests.forecaster.rehearsals import START_MS, aged


@pytest.mark.slow
def test_another_pack_that_nobody_told_of_is_no_baseline() -> None:
    """Its tests beside those of the one before tell no fade, and the words ask for the work to be told."""
    found = renewed(pack_life(3, fade=0.05, renewed=True))
    assert {part.state for part in found.unnoted} == {PartState.UNKNOWN}
    assert "tell it as work done" in str(found.unnoted[-1].says)


@pytest.mark.slow
def test_another_pack_that_was_told_of_begins_anew_and_its_gain_is_told() -> None:
    life = pack_life(3, fade=0.05, renewed=True)
    found = renewed(life)
    assert life.renewed is not None
    assert found.noted[0].state is PartState.UNKNOWN, "one test tells no fade"
    newest = found.noted[-1]
    assert newest.baseline_ms is not None
    assert (newest.baseline_ms - START_MS) / DAY_MS / YEAR_DAYS > life.renewed
    true, gain = found.gain
    assert gain is not None
    assert gain[0] > 0.0
    assert abs(gain[1] - true) <= 2.0 * (gain[2] - gain[1])


@pytest.mark.parametrize("seed", [0, 3])
def test_a_tenth_lost_is_told_where_the_tests_compared_tell_of_a_fade(seed: int) -> None:
    """One page must not say that a pack holds what it did, and another that it fades."""
    one, both = aged(seed), 0
    for end in range(3, len(one.tests) + 1):
        tests = one.tests[:end]
        now_ms = tests[-1].finished_ms or 0
        years, part = compared(one.site, tests, (), now_ms), capacity(one.site, tests, (), 0, now_ms)
        if years is not None and years.fading and part.change is not None and part.change[1] <= -FADED:
            both += 1
            assert part.state in TOLD
    assert both


def test_an_outage_that_was_taken_for_a_test_is_one_measurement() -> None:
    """Such an outage stays in the list of outages, for nobody said that it was meant."""
    life = pack_life(1)
    tests = [replace(test, started_ms=(test.finished_ms or 0) - 5 * HOUR_MS) for test in life.tests]
    outages = [Outage("o", test.started_ms, test.finished_ms, False, 100.0, 60.0, 380.0) for test in tests]
    apart = [
        replace(outage, start_ms=outage.start_ms + 9 * DAY_MS, end_ms=outage.start_ms + 9 * DAY_MS + HOUR_MS)
        for outage in outages
    ]
    assert capacity_points(life.site, tests, outages, 0).day.size == len(tests)
    assert capacity_points(life.site, tests, apart, 0).day.size == 2 * len(tests)


@pytest.mark.slow
def test_a_steady_pack_is_left_alone() -> None:
    life = pack_life(1, fade=0.0)
    assert not np.any([judged(life, life.tests[:end]).state in TOLD for end in range(2, len(life.tests) + 1)])
