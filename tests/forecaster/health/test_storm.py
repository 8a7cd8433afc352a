"""The storm margin: worst hours against the pump of today, storms to come with ranges, and silence on short records."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from forecaster.domain.times import DAY_MS
from forecaster.health.storm import storm_document, storm_margin
from forecaster.record.frames import days_frame
from forecaster.texts.catalogue import decoded, words
from tests.forecaster.health.scored import SITE
from tests.forecaster.health.world import START_MS, Sampling, Truth, inflow, record

HOUSE = replace(SITE, pit=replace(SITE.pit, freeboard_m=0.3))
WET = Truth(base_l_per_min=12.0, storms_a_year=60.0)


def _document(truth: Truth, days: int, sampling: Sampling = Sampling.ON_CHANGE, seed: int = 3) -> dict[str, Any]:
    table = days_frame(record(truth, sampling, days, np.random.default_rng(seed)))
    return storm_document(HOUSE, table, START_MS + days * DAY_MS)


@pytest.mark.slow
def test_the_worst_hour_is_that_of_the_water() -> None:
    """The world's inflow on its grid of ten minutes, averaged over clock hours, against the share of the hour told.

    A run that stands across the hour's edge moves its share by a run at most.
    """
    rng = np.random.default_rng(3)
    water = inflow(WET, 400, rng).reshape(-1, 6).mean(axis=1) / WET.rate_l_per_min
    six = np.convolve(water, np.full(6, 1.0 / 6.0), mode="valid")
    found = _document(WET, 400)
    assert found["worst_hour_of_pump"] == pytest.approx(water.max(), rel=0.12)
    assert found["worst_six_hours_of_pump"] == pytest.approx(six.max(), rel=0.12)
    assert not found["at_least"]


@pytest.mark.slow
def test_a_worn_pump_meets_the_same_storm_with_less() -> None:
    """Worn by 2 % a month over a year: what flows in is the same, the share of today's pump is a third greater."""
    fresh = _document(WET, 365)
    worn = _document(replace(WET, flow=lambda day: 1.0 - 0.02 * day / 30.4), 365)
    left = 1.0 - 0.02 * 364.5 / 30.4
    assert worn["worst_hour_of_pump"] == pytest.approx(fresh["worst_hour_of_pump"] / left, rel=0.12)
    for fewer, more in zip(fresh["return_levels"], worn["return_levels"], strict=True):
        assert more["of_pump"]["p50"] > fewer["of_pump"]["p50"]


def test_levels_rise_with_the_years_and_hold_their_order() -> None:
    levels = _document(WET, 365)["return_levels"]
    assert [level["years"] for level in levels] == [2.0, 10.0, 25.0]
    middles = [level["of_pump"]["p50"] for level in levels]
    assert middles == sorted(middles)
    assert all(level["of_pump"]["p10"] <= level["of_pump"]["p50"] <= level["of_pump"]["p90"] for level in levels)


def test_minutes_to_the_floor_are_freeboard_over_what_the_pump_leaves() -> None:
    """Freeboard 0.3 m over 0.1667 m² is 50 L; what comes beyond the pump's rate fills it."""
    for level in _document(WET, 365, seed=4)["return_levels"]:
        share, minutes = level["of_pump"]["p50"], level["minutes_to_floor"]
        if share <= 1.0:
            assert minutes is None
        else:
            assert minutes == pytest.approx(50.0 / ((share - 1.0) * WET.rate_l_per_min), rel=0.1)


def test_a_short_record_says_so_first_and_foretells_nothing() -> None:
    found = _document(WET, 40)
    assert found["return_levels"] == []
    assert found["says"].startswith("Under a year on record (40 days)")
    assert found["worst_hour_of_pump"] is not None


def test_a_counter_alone_is_unknown() -> None:
    found = _document(WET, 200, Sampling.COUNTER)
    assert (found["worst_hour_of_pump"], found["return_levels"]) == (None, [])
    assert "does not tell" in found["says"]
    assert storm_margin(HOUSE, days_frame([])).worst_hour is None


def test_it_is_said_in_every_language() -> None:
    found = _document(WET, 200)
    spanish = words("es").again(decoded(found["codes"]["says"], found["says"]))
    assert "Menos de un año de registro (200 días)" in spanish
    assert "La peor hora" in spanish
