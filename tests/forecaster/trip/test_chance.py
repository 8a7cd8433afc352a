"""The chance of a wet floor: what must be monotone is, shares add to 1, and single causes agree with closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.stats import gamma, norm

from forecaster.domain.longrecord import PartState
from forecaster.domain.times import YEAR_DAYS
from forecaster.record.peaks import PeakDraws
from forecaster.trip import priors
from forecaster.trip.chance import CAUSES, WORLDS, wet_floor
from forecaster.trip.helping import CHANGES, helps
from forecaster.trip.house import OutageRecord, PackState, PresentOutage, TripHouse, TripSpan
from forecaster.trip.worlds import drawn_worlds

NOW = 20_515.0

FEW = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def _storms(rate: float) -> PeakDraws:
    return PeakDraws(0.4, np.full(WORLDS, rate), np.full(WORLDS, 0.12), np.full(WORLDS, 0.1))


LARKSPUR = TripHouse(
    OutageRecord(1.5, (0.5, 2.0), (7.0,)), PackState(9.2, 90.0, 35.0, 545.0, proven_days=200.0, carried=3), 0.33, None,
    _storms(6.0), duty=0.05, reach_h=(3.0,), heard=0.97,
)  # fmt: skip


def _between(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False)


HOUSES = st.builds(
    TripHouse,
    outages=st.builds(
        OutageRecord, years=_between(0.0, 8.0), calm_h=st.lists(_between(0.1, 60.0), max_size=8).map(tuple),
        wet_h=st.lists(_between(0.1, 60.0), max_size=3).map(tuple),
    ),
    pack=st.builds(
        PackState, wh_per_percent=_between(1.0, 60.0), charge_percent=_between(20.0, 94.0),
        base_w=_between(5.0, 90.0), pump_w=_between(100.0, 1200.0), spread=_between(0.02, 0.4),
        proven_days=st.none() | _between(31.0, 900.0), carried=st.integers(0, 20), failed=st.integers(0, 3),
    ),
    freeboard_min=_between(0.05, 4.0), season=st.none(), storms=st.none() | _between(0.5, 12.0).map(_storms),
    duty=st.none() | _between(0.0, 0.9), pump_wear=st.sampled_from([1.0, 2.0, 6.0]),
    float_wear=st.sampled_from([1.0, 2.0, 6.0]), reach_h=st.lists(_between(0.3, 30.0), max_size=3).map(tuple),
    heard=_between(0.0, 1.0),
    present=st.none() | st.builds(
        PresentOutage, age_h=_between(0.0, 40.0), charge_percent=_between(0.0, 100.0), duty=_between(0.0, 0.9)),
)  # fmt: skip

SPANS = st.builds(
    lambda wait, length: TripSpan(NOW, NOW + wait, NOW + wait + length), _between(0.0, 40.0), _between(0.1, 40.0)
)


@FEW
@given(house=HOUSES, span=SPANS, more=_between(0.0, 20.0))
def test_a_longer_trip_never_lowers_the_chance(house: TripHouse, span: TripSpan, more: float) -> None:
    before = wet_floor(house, span).chance
    assert np.all(wet_floor(house, replace(span, back=span.back + more)).chance >= before - 1e-12)
    earlier = replace(span, leave=max(span.now, span.leave - more))
    assert np.all(wet_floor(house, earlier).chance >= before - 1e-12)


@FEW
@given(house=HOUSES, span=SPANS, factor=_between(1.0, 5.0))
def test_more_freeboard_or_a_bigger_pack_never_raises_it(house: TripHouse, span: TripSpan, factor: float) -> None:
    before = wet_floor(house, span).chance
    assert house.freeboard_min is not None
    higher = replace(house, freeboard_min=factor * house.freeboard_min)
    assert np.all(wet_floor(higher, span).chance <= before + 1e-12)
    bigger = replace(house, pack=replace(house.pack, wh_per_percent=factor * house.pack.wh_per_percent))
    assert np.all(wet_floor(bigger, span).chance <= before + 1e-12)
    sooner = replace(house, reach_h=tuple(hours / factor for hours in house.reach_h))
    assert np.all(wet_floor(sooner, span).chance <= before + 1e-12)


@pytest.mark.slow
@FEW
@given(house=HOUSES, span=SPANS)
def test_no_help_raises_it_and_the_best_comes_first(house: TripHouse, span: TripSpan) -> None:
    before = wet_floor(house, span)
    found = helps(house, span)
    assert found
    assert all(np.all(one.after.chance <= before.chance + 1e-12) for one in found)
    middles = [one.after.quantiles()[1] for one in found]
    assert middles == sorted(middles)


@FEW
@given(house=HOUSES, span=SPANS)
def test_shares_add_to_one_and_the_range_is_in_order(house: TripHouse, span: TripSpan) -> None:
    found = wet_floor(house, span)
    assert set(found.shares()) == set(CAUSES)
    assert sum(found.shares().values()) == pytest.approx(1.0)
    assert all(share >= 0.0 for share in found.shares().values())
    low, middle, high = found.quantiles()
    assert 0.0 <= low <= middle <= high <= 1.0


def test_the_same_question_gives_the_same_answer() -> None:
    span = TripSpan(NOW, NOW + 1.0, NOW + 11.0)
    assert np.array_equal(wet_floor(LARKSPUR, span).chance, wet_floor(LARKSPUR, span).chance)


def test_outages_follow_the_conjugate_posterior() -> None:
    """Rate: gamma with the record added to the prior. Length: many own outages leave their own mean and spread."""
    worlds = drawn_worlds(LARKSPUR, 4000, 1)
    shape = priors.OUTAGES_A_YEAR * priors.OUTAGE_YEARS + 3
    expected = gamma(shape, scale=1.0 / (priors.OUTAGE_YEARS + 1.5))
    assert np.quantile(worlds.outages, (0.1, 0.5, 0.9)) == pytest.approx(expected.ppf((0.1, 0.5, 0.9)), rel=0.01)


def test_a_long_record_gives_back_what_made_it() -> None:
    """8,000 outages, half by storms, of the others one in five on a wet day by chance: storms are not counted twice."""
    rng = np.random.default_rng(3)
    stormy, wet_anyway = rng.uniform(size=8000) < 0.5, rng.uniform(size=8000) < 1.0 - priors.STORM_WET
    hours = np.exp(rng.normal(2.0, 0.5, 8000)) * np.where(stormy, priors.STORM_LONGER, 1.0 / priors.STORM_LONGER)
    wet = stormy | wet_anyway
    many = drawn_worlds(replace(LARKSPUR, outages=OutageRecord(400.0, tuple(hours[~wet]), tuple(hours[wet]))), 4000, 1)
    assert np.median(many.storm) == pytest.approx(0.5, abs=0.05)
    assert np.median(many.log_hours) == pytest.approx(2.0, abs=0.05)
    assert np.median(many.hours_spread) == pytest.approx(0.55, abs=0.05)


def test_before_any_record_the_hours_without_power_are_those_of_national_reports() -> None:
    """EIA, hours without power a customer: 4.7 (2019) to 11 (2024) a year. The mean of a lognormal is exp(m + s²/2)."""
    worlds = drawn_worlds(replace(LARKSPUR, outages=OutageRecord()), 4000, 1)
    longer = np.log(priors.STORM_LONGER)
    mean_h = np.exp(worlds.log_hours + 0.5 * worlds.hours_spread**2) * (
        worlds.storm * np.exp(longer) + (1.0 - worlds.storm) * np.exp(-longer)
    )
    assert 4.7 <= (worlds.outages * mean_h).mean() <= 11.0


def test_a_pack_that_is_empty_at_once_fails_as_often_as_outages_outlast_the_freeboard() -> None:
    """Nobody comes, the pump never fails, no storm: 1 - exp(-rate · P(length > time to fill) · exposure).

    Worked out anew with scipy for each world, storms and calm apart, over the same waters' median.
    """
    still = replace(
        LARKSPUR, pack=PackState(1e-9, 1.0, 35.0, 545.0, spread=1e-9), reach_h=(), pump_wear=1e-12, float_wear=1e-12,
        storms=_storms(0.0), freeboard_min=60.0 * 1.0,
    )  # fmt: skip
    found = wet_floor(still, TripSpan(NOW, NOW, NOW + 30.0))
    sum_of = found.causes["outage"] + found.causes["pack"]
    worlds = drawn_worlds(still, WORLDS, 2017)
    level = worlds.level(np.array([NOW]))[:, 0]
    rng = np.random.default_rng(0)
    shape = 1.0 / worlds.day_spread
    expected = np.zeros(WORLDS)
    for stormy in (False, True):
        place = rng.uniform(priors.STORM_WET if stormy else 0.0, 1.0, (WORLDS, 2000))
        share = np.clip(level[:, None] * gamma.ppf(place, shape, scale=1.0 / shape)
                        * np.exp(priors.HOUR_SPREAD * rng.normal(size=place.shape)), 1e-4, 5.0)  # fmt: skip
        fill_h = 1.0 / share
        log_mean = worlds.log_hours + np.log(priors.STORM_LONGER) * (1.0 if stormy else -1.0)
        lasts = norm.sf((np.log(fill_h) - log_mean[:, None]) / worlds.hours_spread[:, None])
        weight = worlds.storm if stormy else 1.0 - worlds.storm
        days = np.clip(30.0 - fill_h / 24.0, 0.0, None)
        expected += weight * worlds.outages / YEAR_DAYS * (lasts * days).mean(axis=1)
    assert sum_of.mean() == pytest.approx(expected.mean(), rel=0.05)


def test_a_year_of_a_pump_alone_is_its_failures() -> None:
    """Where nothing else can happen: the share of pumps and floats that die, but for the last hours, is the chance."""
    alone = replace(
        LARKSPUR, outages=OutageRecord(1e9), reach_h=(), storms=_storms(0.0), freeboard_min=0.01,
    )  # fmt: skip
    found = wet_floor(alone, TripSpan(NOW, NOW, NOW + 180.0))
    worlds = drawn_worlds(alone, WORLDS, 2017)
    assert found.mean == pytest.approx(float(-np.expm1(-worlds.pump_dies * 180.0 / YEAR_DAYS).mean()), rel=0.01)
    assert found.shares()["pump"] > 0.99


def test_hours_beyond_the_pump_come_as_often_as_the_peaks_say() -> None:
    """Peaks over 0.4 of the pump six times a year: what is beyond 1 + freeboard, over thirty days, times nobody."""
    wet = replace(
        LARKSPUR, outages=OutageRecord(1e9), pump_wear=1e-12, float_wear=1e-12, reach_h=(), duty=0.05,
    )  # fmt: skip
    found = wet_floor(wet, TripSpan(NOW, NOW, NOW + 30.0))
    yearly = float(_storms(6.0).yearly(np.array([1.0 + 0.33 / 60.0]))[0])
    assert found.causes["inflow"].mean() == pytest.approx(yearly * 30.0 / YEAR_DAYS, rel=0.25)
    assert wet_floor(replace(wet, pumps=2), TripSpan(NOW, NOW, NOW + 30.0)).mean < 0.1 * found.mean


def test_an_outage_that_lasts_now_counts() -> None:
    span = TripSpan(NOW, NOW + 0.1, NOW + 10.0)
    low = replace(LARKSPUR, present=PresentOutage(3.0, 4.0, 0.3))
    full = replace(LARKSPUR, present=PresentOutage(3.0, 100.0, 0.01))
    assert wet_floor(low, span).mean > 0.3 + wet_floor(LARKSPUR, span).mean
    assert wet_floor(LARKSPUR, span).mean < wet_floor(full, span).mean < wet_floor(low, span).mean


def test_unheard_is_what_hearing_would_have_saved() -> None:
    """Of a house that nobody hears all that could be saved is unheard; with nobody to come nothing is."""
    span = TripSpan(NOW, NOW + 1.0, NOW + 31.0)
    deaf, alone = replace(LARKSPUR, heard=0.0), replace(LARKSPUR, reach_h=())
    assert wet_floor(deaf, span).chance == pytest.approx(wet_floor(alone, span).chance)
    assert wet_floor(deaf, span).shares()["unheard"] > 0.02
    assert wet_floor(alone, span).shares()["unheard"] < 1e-6


def test_helps_apply_where_they_can() -> None:
    fresh = replace(LARKSPUR, pack=replace(LARKSPUR.pack, charge_percent=100.0, proven_days=3.0), reach_h=(1.0,))
    assert {what for what, change in CHANGES.items() if change(fresh) is None} == {
        "charge-limit", "rehearsal", "pump-cleaned", "neighbour",
    }  # fmt: skip
    assert CHANGES["generator"](replace(fresh, reach_h=())) is None


def test_every_state_of_a_part_has_its_wear() -> None:
    assert set(priors.WEAR) == {state.value for state in PartState}
