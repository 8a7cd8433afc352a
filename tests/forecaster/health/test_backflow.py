"""Water that comes back through the check valve, told by run lengths against waits.

The cycle is that of MIL-HDBK-1005/9A 2.5.3.6, Eq. 1-2; the houses are `tests.forecaster.health.world`'s.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from forecaster.domain.longrecord import HousePart, PartState
from forecaster.domain.times import DAY_MS
from forecaster.health.backflow import DryRuns, backflow
from forecaster.health.valve import check_valve
from forecaster.record.frames import days_frame
from tests.forecaster.health.goods import LEAK, OLD_LEAK, QUIET, states
from tests.forecaster.health.scored import TOLD
from tests.forecaster.health.wearing import wearing
from tests.forecaster.health.world import START_MS, Course, Sampling, Truth, drawn, record, record_in

ONSET = 200


def _since(value: float) -> Course:
    return lambda day: np.where(day >= ONSET, value, 0.0)


def _table(truth: Truth, seed: int, days: int = ONSET + 14, sampling: Sampling = Sampling.ON_CHANGE) -> pd.DataFrame:
    return days_frame(record(truth, sampling, days, np.random.default_rng(seed)))


def test_the_dry_run_tells_the_share_times_the_fill() -> None:
    """By hand: 30 L at 150 L/min, 5 L/min flow in. A run takes 1800 / 145 = 12.414 s after a wait of 360 s, and of
    252 s where 30 % comes back. The dry run is 12.414 / (1 + 12.414 / 360) = 12 s before and 11.831 s after: 12 s over
    it is 1.0143, and 0.3 times the fill 12 / 252 is 0.0143."""
    still = Truth(base_l_per_min=5.0, swing=0.0, storms_a_year=0.0, slop=0.0)
    tables = [_table(still, 1, 60), _table(replace(still, leak=lambda day: np.full(day.shape, 0.3)), 1, 60)]
    before, after = (float(table["dry_s"].sum() / table["paired"].sum()) for table in tables)
    assert before == pytest.approx(12.0, abs=0.02)
    fill = float(np.mean(DryRuns.of(tables[1]).fills))
    assert fill == pytest.approx(12.0 / 252.0, rel=0.03)
    assert before / after - 1.0 == pytest.approx(0.3 * fill, rel=0.1)


@pytest.mark.parametrize("sampling", [Sampling.ON_CHANGE, Sampling.ONE, Sampling.FLOAT])
def test_a_leak_is_dated_and_sized_within_a_fortnight(sampling: Sampling) -> None:
    rng = np.random.default_rng(70)
    for number in range(3):
        house = replace(drawn(rng), base_l_per_min=float(rng.uniform(6.0, 12.0)), leak=_since(0.3))
        found = backflow(_table(house, 70 + number, sampling=sampling)).found
        assert found is not None
        assert found.since_day is not None
        assert abs(found.since_day - START_MS / DAY_MS - ONSET) <= 5.0
        assert found.share == pytest.approx(0.3, abs=3.0 * found.error)


@pytest.mark.parametrize(("sampling", "seed"), [
    (Sampling.TEN, 29), (Sampling.TEN, 30), (Sampling.ON_CHANGE, 2), (Sampling.ON_CHANGE, 3), (Sampling.ON_CHANGE, 4)
])  # fmt: skip
def test_a_leak_is_told_where_its_date_is_not_known_to_the_day(sampling: Sampling, seed: int) -> None:
    """A day early, the driest day since is one without the leak: such houses were called unknown once."""
    house = replace(drawn(np.random.default_rng(seed)), leak=_since(0.3))
    found = backflow(_table(house, seed, sampling=sampling)).found
    assert found is not None
    assert found.share == pytest.approx(0.3, abs=3.0 * found.error)


@pytest.mark.parametrize("seed", range(4))
def test_a_pump_that_wears_in_jumps_is_no_leak(seed: int) -> None:
    """No day passes for the date of one, where a pump's slow course was taken for a parabola two of the four had such
    (by 4.0 and 3.8 standard errors)."""
    rng = np.random.default_rng(seed)
    worn = wearing(drawn(rng), float(rng.uniform(0.01, 0.025)), 365, rng)
    table = days_frame(record_in(worn.water, worn.truth, Sampling.ON_CHANGE, rng))
    told = [backflow(table.iloc[:days]) for days in (240, 300)]
    assert all(one.found is None and np.isfinite(one.least_share) for one in told)


@pytest.mark.parametrize("oftener", [1.2, 1.43, 2.0])
def test_a_wetter_month_is_no_leak(oftener: float) -> None:
    """The starts come as much oftener as behind a valve that lets 17, 30 and 50 % back."""
    house = replace(drawn(np.random.default_rng(80)), base_l_per_min=7.0)
    dry, wet = _table(house, 81), _table(replace(house, base_l_per_min=7.0 * oftener), 81)
    both = pd.concat([dry.iloc[:ONSET], wet.iloc[ONSET:]])
    assert backflow(both).found is None


@pytest.mark.parametrize("gain", [0.02, 0.05, 0.3])
def test_a_pump_that_lifts_more_is_no_leak(gain: float) -> None:
    """Its runs become shorter too, but the starts do not come oftener."""
    house = replace(drawn(np.random.default_rng(90)), base_l_per_min=7.0)
    cleaned = replace(house, flow=lambda day: np.where(day >= ONSET, 1.0 + gain, 1.0))
    assert backflow(_table(cleaned, 91)).found is None


@pytest.mark.parametrize(("begun", "days", "seeds"), [(120, 134, (12, 13)), (60, 120, range(8))])
def test_a_pump_that_is_cleaned_is_no_leak_where_the_season_brings_more_water(
    begun: int, days: int, seeds: Iterable[int]
) -> None:
    """What wore off at 2 % a month is regained at once, and nobody told of it: shorter runs as well as more starts."""
    for seed in seeds:
        rng = np.random.default_rng(seed)
        cleaned = replace(drawn(rng), flow=lambda day: np.where(day < begun, 1.0 - 0.02 * day / 30.4, 1.0))
        assert check_valve(days_frame(record(cleaned, Sampling.ON_CHANGE, days, rng))).state not in TOLD


@pytest.mark.parametrize("share", [0.0, 0.3])
def test_a_share_that_was_there_from_the_start_is_told_by_the_fill(share: float) -> None:
    """1 / T = Qp / V + f / w: the dry run alone tells f, wherever w varies."""
    house = Truth(base_l_per_min=9.0, leak=lambda day: np.full(day.shape, share))
    for seed in range(3):
        always = backflow(_table(house, seed, 90)).always
        assert always.error <= 0.04
        assert always.share == pytest.approx(share, abs=3.5 * always.error)


@pytest.mark.parametrize("days", [64, 84, pytest.param(200, marks=pytest.mark.slow)])
def test_a_leak_that_was_there_from_the_start_is_not_called_good(days: int) -> None:
    """It is what the rest of the record is compared with; half of these valves were called good once."""
    found = [states(OLD_LEAK, Sampling.ON_CHANGE, days, seed)[HousePart.CHECK_VALVE] for seed in range(6)]
    assert set(found) == {PartState.UNKNOWN}
    healthy = [states(QUIET, Sampling.ON_CHANGE, days, seed)[HousePart.CHECK_VALVE] for seed in (1, 8)]
    assert healthy == [PartState.GOOD] * 2


def test_what_may_leak_from_the_start_is_said_and_what_to_look_at() -> None:
    leaks = Truth(base_l_per_min=9.0, leak=lambda day: np.full(day.shape, 0.3))
    part = check_valve(_table(leaks, 2, 90))
    assert part.state is PartState.UNKNOWN
    assert "since before the record began" in str(part.says)
    assert "water comes back after a run" in str(part.do)


def test_what_too_little_is_known_of_is_told_as_such() -> None:
    """A pit that is nearly dry, sampled every ten seconds: not even half of each run could be told."""
    house = Truth(base_l_per_min=0.5, storms_a_year=10.0)
    assert backflow(_table(house, 3, sampling=Sampling.TEN)).least_share > 0.5
    assert backflow(_table(house, 3, 30)).least_share == float("inf")


@pytest.mark.slow
@pytest.mark.parametrize("age", [14, 60, 120, 240])
def test_a_leak_is_told_for_as_long_as_it_lasts(age: int) -> None:
    """Only dates of the newest 45 days were tried once, and the valve was called good again after that."""
    for seed in (1, 5, 8):
        assert states(replace(LEAK, age=age), Sampling.ON_CHANGE, 100 + age, seed)[HousePart.CHECK_VALVE] in TOLD


@pytest.mark.parametrize(("sampling", "seed", "days"), [
    (Sampling.ON_CHANGE, 2, 364), (Sampling.ON_CHANGE, 9, 160), (Sampling.TEN, 9, 250), (Sampling.TEN, 7, 200),
    (Sampling.ON_CHANGE, 5, 50),
])  # fmt: skip
def test_a_valve_of_which_little_can_be_told_is_not_called_good(sampling: Sampling, seed: int, days: int) -> None:
    """A pit too dry, samples too coarse, a leak from before the record could tell one, one that a dry month hides."""
    leak = replace(LEAK, age=days - 100 if days > 100 else 14)
    assert states(leak, sampling, days, seed)[HousePart.CHECK_VALVE] is not PartState.GOOD
