"""The storm margin by the owner's rain table: levels by the pit's answer to rain, ranges that own up, and words."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from forecaster.domain.site import RainTable
from forecaster.domain.times import DAY_MS
from forecaster.health.raintable import table_levels, told_levels
from forecaster.health.storm import storm_document
from forecaster.maths.arrays import Array
from forecaster.record.frames import days_frame
from forecaster.record.levels import LevelDraws
from forecaster.record.peaks import PeakDraws
from forecaster.texts.catalogue import decoded, languages, words
from forecaster.water.design import Response, alternating_blocks
from tests.forecaster.health.scored import SITE
from tests.forecaster.health.world import START_MS, Sampling, Truth, record

TABLE = RainTable((2.0, 10.0, 100.0), (1.0, 6.0, 24.0), ((25.0, 35.0, 60.0), (40.0, 60.0, 95.0), (60.0, 85.0, 140.0)))
HOUSE = replace(SITE, pit=replace(SITE.pit, freeboard_m=0.3), rain_table=TABLE)
SURE = Response(np.tile([0.010, 0.015, 0.020], (400, 1)), np.tile([2.7, 17.0, 65.0], (400, 1)), 12.0)
DAYS = 120


@pytest.fixture(scope="module")
def days() -> Any:
    truth = Truth(base_l_per_min=8.0, storms_a_year=60.0)
    return days_frame(record(truth, Sampling.ON_CHANGE, DAYS, np.random.default_rng(4)))


def _document(days: Any, response: Response | None) -> dict[str, Any]:
    return storm_document(HOUSE, days, START_MS + DAYS * DAY_MS, response)


def _told(table: RainTable, before: Array) -> dict[int, dict[float, Array]]:
    return told_levels(table, table_levels(table, SURE, before))


def test_levels_are_those_of_the_tables_storms() -> None:
    """The middle is the storm of that column on dry ground; a return period of the table itself is not interpolated."""
    found = _told(TABLE, np.zeros(1))
    for column, years in ((0, 2.0), (1, 10.0)):
        storm = alternating_blocks(np.array(TABLE.hours), np.array([row[column] for row in TABLE.depths_mm]))
        for hours in (1, 6):
            expected = float(SURE.worst(storm, hours)[0])
            assert np.median(found[hours][years]) == pytest.approx(expected, rel=0.05)
            low, high = np.quantile(found[hours][years], (0.1, 0.9))
            assert low < 0.8 * expected
            assert high > 1.2 * expected
    assert list(found[1]) == [2.0, 10.0, 25.0]
    assert np.all(found[1][10.0] < found[1][25.0])
    assert np.all(found[6][25.0] < found[1][25.0])


def test_a_table_without_the_usual_return_periods_tells_its_own() -> None:
    one = RainTable((50.0,), (1.0, 24.0), ((50.0,), (110.0,)))
    assert list(_told(one, np.zeros(1))[1]) == [50.0]


def test_water_before_the_storm_comes_on_top() -> None:
    dry, wet = (_told(TABLE, np.array([before]))[1][10.0] for before in (0.0, 0.2))
    assert wet - dry == pytest.approx(np.full(400, 0.2))


def test_the_table_is_used_where_the_answer_to_rain_is_learnt(days: Any) -> None:
    found = _document(days, SURE)
    assert found["levels_from"] == "rain-table"
    assert [level["years"] for level in found["return_levels"]] == [2.0, 10.0, 25.0]
    for hour, six in zip(found["return_levels"], found["return_levels_six_hours"], strict=True):
        assert hour["years"] == six["years"]
        assert six["of_pump"]["p50"] < hour["of_pump"]["p50"]
    assert "your rain table" in found["says"]
    assert "12 storms" in found["says"]
    assert "The record alone says" in found["says"]


def test_trips_are_kept_every_return_period_of_the_table(days: Any) -> None:
    """A level of the table itself comes once in its years; one between two comes as often as lies between."""
    found = _document(days, SURE)
    draws = LevelDraws.of(found["table_draws"], PeakDraws.of(found["draws"]))
    assert draws.years.tolist() == [2.0, 10.0, 100.0]
    assert draws.levels.shape == (3, 200)
    for years, level in zip((2.0, 10.0, 100.0), draws.levels, strict=True):
        assert draws.yearly(level) == pytest.approx(np.full(200, 1.0 / years))
    between = draws.yearly(0.5 * (draws.levels[0] + draws.levels[1]))
    assert between == pytest.approx(np.full(200, np.sqrt(0.5 * 0.1)))
    assert _document(days, None)["table_draws"] is None


def test_a_table_of_one_return_period_leaves_trips_to_the_record(days: Any) -> None:
    one = replace(HOUSE, rain_table=RainTable((50.0,), (1.0, 24.0), ((50.0,), (110.0,))))
    assert storm_document(one, days, START_MS + DAYS * DAY_MS, SURE)["table_draws"] is None


def test_a_worn_pump_lifts_a_smaller_share_of_the_same_storm(days: Any) -> None:
    worn = replace(SURE, gain=SURE.gain / 0.8)
    for fresh, later in zip(
        _document(days, SURE)["return_levels"], _document(days, worn)["return_levels"], strict=True
    ):
        assert later["of_pump"]["p50"] > fresh["of_pump"]["p50"]


def test_without_a_learnt_answer_the_record_stands_and_that_is_said(days: Any) -> None:
    found = _document(days, None)
    assert found["levels_from"] == "record"
    assert "not used yet" in found["says"]
    assert (
        found["return_levels"]
        == storm_document(replace(HOUSE, rain_table=None), days, START_MS + DAYS * DAY_MS)["return_levels"]
    )


def test_an_energy_counter_that_tells_no_hours_still_has_the_table() -> None:
    truth = Truth(base_l_per_min=8.0, storms_a_year=60.0)
    counted = days_frame(record(truth, Sampling.COUNTER, 30, np.random.default_rng(4)))
    found = storm_document(HOUSE, counted, START_MS + 30 * DAY_MS, SURE)
    assert found["worst_hour_of_pump"] is None
    assert found["levels_from"] == "rain-table"
    assert found["return_levels"]


@pytest.mark.parametrize("language", sorted(languages()))
def test_every_language_says_it(days: Any, language: str) -> None:
    say = words(language)
    for response in (SURE, None):
        found = _document(days, response)
        said = say.again(decoded(found["codes"]["says"], found["says"]))
        assert "{" not in said
        assert said.count("%") >= 6
