"""The inflow beyond two days relaxes towards the season, and only there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecaster.domain.times import DAY_MS, HOUR_MS, YEAR_DAYS
from forecaster.engine import Engine
from forecaster.engine.reserve import ahead_grid_s
from forecaster.maths.arrays import Array, Single
from forecaster.maths.conformal import Conformal
from forecaster.twin.live import larkspur_site
from forecaster.water.expected import FROM_H
from forecaster.water.inflow import Inflow
from forecaster.water.seasonal import SeasonBelief, SeasonStudy
from tests.forecaster.water.rained import START_MS

DRY, WET = 0.01, 0.2
GRID_S = ahead_grid_s()


def study(share: float, made_ms: int = START_MS, spread: float = 0.0) -> SeasonStudy:
    """A season that is sure of itself: this share of the pump on every day of the year."""
    per_day = 7200.0
    mean = np.array([np.log(share * per_day), 0.0, 0.0, 0.0, 0.0])
    return SeasonStudy(made_ms, SeasonBelief(mean, np.zeros((5, 5)), spread, per_day))


@pytest.fixture(scope="module")
def steady() -> Inflow:
    """Four days of a pump that runs 5 % of the time."""
    site = larkspur_site()
    inflow = Inflow(site.pump, site.pit)
    for hour in range(96):
        start_ms = START_MS + hour * HOUR_MS
        inflow.observe(start_ms, start_ms + HOUR_MS, 0.05 * inflow.running_w)
    return inflow


def ahead(inflow: Inflow, season: SeasonStudy | None, now_ms: int = START_MS + 96 * HOUR_MS) -> Single:
    """Pump energy ahead as a share of all that the pump could use, (draws, T)."""
    other = inflow.copy()
    other.season = season
    drawn = other.drawn_ahead(now_ms, GRID_S, 400, 11)
    return np.asarray(drawn / np.float32(inflow.running_w), dtype=np.float32)


def duty_between(drawn: Single, first_h: float, last_h: float) -> float:
    hours: Array = GRID_S / 3600.0
    mean = drawn.mean(axis=0)
    low, high = np.interp([first_h, last_h], hours, mean)
    return float(high - low) / (last_h - first_h)


def test_nothing_changes_within_two_days(steady: Inflow) -> None:
    without, wet = ahead(steady, None), ahead(steady, study(WET))
    within = GRID_S / 3600.0 <= FROM_H
    assert np.array_equal(without[:, within], wet[:, within])
    assert not np.array_equal(without, wet)


def test_later_days_turn_to_the_season(steady: Inflow) -> None:
    """After twelve days, two in three draws and more follow the season; the others the water of now."""
    without = duty_between(ahead(steady, None), 288.0, 336.0)
    for share in (DRY, WET):
        turned = duty_between(ahead(steady, study(share)), 288.0, 336.0)
        assert abs(turned - share) < 0.45 * abs(without - share)


def test_the_season_is_that_of_the_day(steady: Inflow) -> None:
    """A wave of 0.8 about 5 % that is at its height, or at its foot, thirteen days from now: 11.1 % and 2.2 %."""
    angle = 2.0 * np.pi * ((START_MS + 96 * HOUR_MS) / DAY_MS + 13.0) / YEAR_DAYS
    wave = np.array([0.0, np.cos(angle), np.sin(angle), 0.0, 0.0])
    found = []
    for swing in (0.8, -0.8):
        belief = study(0.05).belief
        season = SeasonStudy(START_MS, replace(belief, mean=belief.mean + swing * wave))
        found.append(duty_between(ahead(steady, season), 288.0, 336.0))
    assert found[0] == pytest.approx(0.05 * np.exp(0.8), rel=0.25)
    assert found[1] == pytest.approx(0.05 * np.exp(-0.8), rel=0.25)


def test_days_that_stray_widen_the_range(steady: Inflow) -> None:
    spread = [float(np.std(ahead(steady, study(0.05, spread=one))[:, -1])) for one in (0.0, 2.0)]
    assert spread[1] > 1.3 * spread[0]


def test_more_than_the_pump_can_use_is_not_expected(steady: Inflow) -> None:
    assert float(ahead(steady, study(5.0))[:, -1].max()) <= GRID_S[-1] / 3600.0 + 1e-3


def test_the_engine_takes_each_study_once_and_keeps_it() -> None:
    """An older study is no news; a snapshot carries it, and one of a release without a season is taken up."""
    engine = Engine(larkspur_site())
    assert engine.expect_season(study(WET, made_ms=START_MS))
    assert not engine.expect_season(study(DRY, made_ms=START_MS))
    assert not engine.expect_season(study(DRY, made_ms=START_MS - 1))
    restored = Engine.restore(larkspur_site(), engine.snapshot())
    assert restored.snapshot() == engine.snapshot()
    assert not restored.expect_season(study(DRY, made_ms=START_MS))
    assert restored.expect_season(study(DRY, made_ms=START_MS + 1))
    old = engine.snapshot().replace(b'"season":', b'"unknown":')
    assert Engine.restore(larkspur_site(), old).expect_season(study(DRY, made_ms=START_MS))


def test_how_far_ahead_is_computed_changes_no_value(steady: Inflow) -> None:
    """A pack is followed no further than it lasts: the same answer as if all of the horizon had been computed."""
    other = steady.copy()
    other.season = study(WET, spread=0.5)
    other.backtest.conformal = Conformal(level=0.05, count=200)
    now_ms = START_MS + 96 * HOUR_MS
    whole = other.drawn_ahead(now_ms, GRID_S, 400, 11)
    for points in (5, 60, 90, 110):
        assert np.allclose(other.drawn_ahead(now_ms, GRID_S, 400, 11, points=points), whole[:, :points], rtol=1e-5)
