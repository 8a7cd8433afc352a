"""Storms of a rain table: a published example of nested blocks, and their way through reservoirs that were learnt."""

from __future__ import annotations

import numpy as np
import pytest

from forecaster.twin.live import larkspur_site
from forecaster.water.design import AFTER_H, STEP_H, Response, alternating_blocks
from forecaster.water.inflow import Inflow
from forecaster.water.rain import DELAY_H
from tests.forecaster.water.rained import GAIN, START_MS, TAU_H, rained_on, through_ground

HOURS, DEPTHS = np.array([1.0, 6.0, 24.0]), np.array([30.0, 50.0, 70.0])
STORM = alternating_blocks(HOURS, DEPTHS)


def test_blocks_of_a_published_example() -> None:
    """Chow, Maidment, Mays, *Applied Hydrology* (1988), example 14.4.1: Denver, ten years, two hours in steps of ten
    minutes, by i = 96.6 / (T^0.97 + 13.9) in inches an hour and minutes. The figures are from memory; they follow from
    that formula.
    """
    minutes = np.arange(10.0, 121.0, 10.0)
    depth = 96.6 / (minutes**0.97 + 13.9) * minutes / 60.0
    published = [0.024, 0.033, 0.050, 0.084, 0.178, 0.693, 0.308, 0.117, 0.063, 0.040, 0.028, 0.021]
    assert alternating_blocks(minutes / 60.0, depth, 1.0 / 6.0) == pytest.approx(published, abs=6e-4)


def test_every_duration_brings_its_depth() -> None:
    """In quarters of an hour; within the shortest it rains evenly, 7.5 mm in each."""
    storm = alternating_blocks(HOURS, DEPTHS)
    assert (storm.size, storm.max(), storm.sum()) == (96, pytest.approx(7.5), pytest.approx(70.0))
    for hours, depth in zip(HOURS, DEPTHS, strict=True):
        steps = round(hours / STEP_H)
        assert np.convolve(STORM, np.ones(steps)).max() == pytest.approx(depth)


@pytest.mark.parametrize("hours", [1.0, 6.0])
def test_a_storm_runs_through_the_reservoirs_as_through_filters_of_another_library(hours: float) -> None:
    fine = 250
    rain = np.concatenate([np.repeat(STORM / STEP_H, fine), np.zeros(round(AFTER_H / STEP_H) * fine)])
    step_h = STEP_H / fine
    brought = np.concatenate([[0.0], np.cumsum(through_ground(rain, step_h)) * step_h])
    number = round(hours / step_h)
    expected = float((brought[number:] - brought[:-number]).max()) / hours
    response = Response(np.array([GAIN]), np.array([TAU_H]), 9.0)
    assert response.worst(STORM, hours) == pytest.approx([expected], rel=0.01)


def test_a_reservoir_as_fast_as_the_delay_is_no_gap() -> None:
    apart, alike = (
        Response(np.array([[0.01]]), np.array([[tau]]), 9.0).worst(STORM, 1.0) for tau in (DELAY_H + 0.01, DELAY_H)
    )
    assert alike == pytest.approx(apart, rel=0.02)


@pytest.fixture(scope="module")
def learnt() -> Inflow:
    return rained_on()


def test_the_answer_to_rain_is_learnt_from_the_sites_own_storms(learnt: Inflow) -> None:
    """A storm of seven times the rain of those seen: its worst hour and six hours lie within the draws."""
    response = learnt.response(400, 3)
    assert response is not None
    assert response.storms >= 10.0
    truth = Response(np.array([GAIN]), np.array([TAU_H]), 9.0)
    for hours in (1.0, 6.0):
        low, middle, high = np.quantile(response.worst(STORM, hours), (0.05, 0.5, 0.95))
        expected = float(truth.worst(STORM, hours)[0])
        assert low <= expected <= high
        assert middle == pytest.approx(expected, rel=0.25)


def test_nothing_is_said_before_a_gauge_has_seen_storms() -> None:
    site = larkspur_site()
    fresh = Inflow(site.pump, site.pit)
    assert fresh.response(10, 1) is None
    for hour in range(100):
        start_ms = START_MS + hour * 3_600_000
        fresh.observe(start_ms, start_ms + 3_600_000, 20.0)
    assert fresh.response(10, 1) is None


def test_an_answer_to_rain_is_given_from_the_fifth_storm_on(learnt: Inflow) -> None:
    """This project's own choice: five storms."""
    seen = learnt.copy()
    for storms, said in ((4.9, False), (5.0, True)):
        seen.rain.storms = storms
        assert (seen.response(10, 1) is not None) is said
