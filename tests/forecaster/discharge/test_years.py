"""Tests of several years compared: told where it can be, and why not where it cannot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from forecaster.discharge import analyse
from forecaster.discharge.years import LEAST_SPAN_DAYS, Years, compared
from forecaster.domain.discharge import DischargeResult, DischargeTest, EndReason
from forecaster.domain.longrecord import WorkDone, WorkKind
from forecaster.domain.site import AlarmLimits
from forecaster.domain.times import DAY_MS, YEAR_DAYS
from tests.forecaster.discharge.test_discharge import SITE, steady
from tests.forecaster.rehearsals import START_MS, years_scored

WORN = {year: 100.0 * (480 * 10 / 180 / 0.88 + 9) / (0.94 * 1024 * (1 - 0.05 * year)) for year in range(6)}
"""Per cent of charge an hour that a pack of 963 Wh uses which loses 5 % of it a year: 26.7 W through 0.88, and 9 W."""


def at_ms(year: float) -> int:
    return START_MS + round(year * YEAR_DAYS * DAY_MS)


def done(year: float, result: DischargeResult) -> DischargeTest:
    return DischargeTest(f"t{year}", "s", at_ms(year), "owner", None, None, at_ms(year), EndReason.BY_HAND, result)


@pytest.fixture(scope="module")
def yearly() -> list[DischargeTest]:
    """A test a year of a pack that loses 5 % a year, newest first as a ledger gives them."""
    return [done(year, analyse(steady(8, rate))) for year, rate in WORN.items()][::-1]


def of(tests: Sequence[DischargeTest], work: Sequence[WorkDone] = ()) -> Years:
    found = compared(SITE, tests, work, at_ms(6))
    assert found is not None
    return found


def test_a_fade_of_five_per_cent_a_year_is_told_with_its_month(yearly: list[DischargeTest]) -> None:
    """963 Wh less 48 a year fall below 80 % of 1024 Wh, 819, three years after the first: below that already."""
    found = of(yearly)
    assert found.fading
    assert found.fade_a_year is not None
    assert found.fade_a_year[0] <= 0.05 <= found.fade_a_year[2]
    assert found.needed_wh == pytest.approx(819.2)
    assert "is below the 819 Wh" in found.says
    assert [round(one.at_ms) for one in found.tests] == sorted(one.at_ms for one in found.tests)
    assert found.tests[0].capacity_wh[0] <= 963 <= found.tests[0].capacity_wh[2]
    early = compared(SITE, yearly[2:], (), at_ms(3))
    assert early is not None
    assert early.fading
    ((low, _, high), true_ms) = (early.below_ms or (None, None, None)), at_ms((963 - 819.2) / 48.1)
    assert low is not None
    assert low <= max(true_ms, at_ms(3)) <= (high or np.inf)


def test_what_each_test_says_alone_hides_the_fade(yearly: list[DischargeTest]) -> None:
    """Each range is drawn to the nameplate; together they tell five times as much as the middles by themselves."""
    alone = [test.result.capacity_wh[1] for test in yearly if test.result and test.result.capacity_wh]
    told = [one.capacity_wh[1] for one in of(yearly).tests]
    assert alone[-1] / alone[0] - 1 < 0.6 * (told[0] / told[-1] - 1)


def test_the_owners_own_need_comes_first(yearly: list[DischargeTest]) -> None:
    """12 h at the newest test's drain, of nine tenths of the capacity."""
    site = replace(SITE, alarms=AlarmLimits(low_reserve_h=12.0))
    found = compared(site, yearly, (), at_ms(6))
    assert found is not None
    assert yearly[0].result is not None
    assert found.needed_wh == pytest.approx(12 * yearly[0].result.draw_wh_per_h[1] / 0.9)
    assert "the 12 h take" in found.says


def test_a_steady_pack_is_told_as_none_that_fades() -> None:
    tests = [done(year, analyse(steady(8, WORN[0]))) for year in range(5)]
    found = of(tests)
    assert found.fading is False
    assert found.below_ms is None
    assert "no fade beyond their errors" in found.says


def test_it_says_why_it_cannot_tell(yearly: list[DischargeTest]) -> None:
    newest, before = yearly[0], yearly[1]
    assert compared(SITE, [], (), at_ms(6)) is None
    assert "2 of the 3 tests" in of([newest, before]).says
    close = [done(0.01 * k, analyse(steady(8, WORN[0]))) for k in range(4)]
    assert f"of the {LEAST_SPAN_DAYS:.0f} that it takes" in of(close).says
    put_in = WorkDone("w", "s", at_ms(4.5), WorkKind.NEW_PACK, "a new pack", "owner", at_ms(4.5))
    replaced = of(yearly, [put_in])
    assert "was replaced" in replaced.says
    assert "1 of the 3 tests" in replaced.says
    other = done(2.0, replace(before.result, capacity_of_nominal=0.5) if before.result else analyse(steady(1, 5)))
    assert "its plate changed" in of([newest, before, other]).says
    swapped = [done(5.0, analyse(steady(8, WORN[0]))), done(4.0, analyse(steady(8, WORN[5]))), *yearly[2:]]
    grown = of(swapped)
    assert grown.fading is None
    assert "the capacity rose by" in grown.says


def test_tests_of_an_older_release_stand_by_their_own_ranges(yearly: list[DischargeTest]) -> None:
    """They kept no belief, or none of the plate: nothing fails, and the newest are taken as they are."""

    told = [(test, test.result) for test in yearly if test.result is not None]
    unplated = [replace(test, result=replace(result, plate_mean=None, plate_covariance=None)) for test, result in told]
    bare = [replace(test, result=replace(result, belief_mean=None, belief_covariance=None)) for test, result in told]
    assert len(of(bare).tests) == len(yearly)
    plain, whole = of(unplated), of(yearly)
    assert plain.fade_a_year is not None
    assert whole.fade_a_year is not None
    assert plain.fade_a_year[1] == pytest.approx(whole.fade_a_year[1], rel=0.1)
    mixed = of([*yearly[:3], *bare[3:]])
    assert len(mixed.tests) == len(yearly)
    assert np.isfinite([one.capacity_wh for one in mixed.tests]).all()


@pytest.mark.slow
def test_simulated_packs_over_the_years() -> None:
    """Four in five of the ranges hold the true fade and month; a pack that does not fade is not told as one."""
    held = years_scored(range(20_000, 20_100))
    assert 0.7 <= held.fade <= 0.92
    assert held.steady <= 0.1
    assert held.fading >= 0.45
    assert held.month >= 0.6
    assert held.blind <= 2
