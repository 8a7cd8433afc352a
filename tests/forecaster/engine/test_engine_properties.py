"""Whatever a site is and whatever is heard of it: quantiles never cross, survival never rises, state round-trips."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecaster.domain.forecast import Forecast, Quantiles
from forecaster.domain.readings import Reading
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS
from forecaster.engine import Engine
from forecaster.engine.document import document
from tests.strategies import T0_MS, histories

History = tuple[Site, list[Reading]]
after_h = st.one_of(st.just(0.0), st.floats(0.0, 0.2), st.floats(0.0, 72.0))


def folded(site: Site, readings: Sequence[Reading]) -> Engine:
    engine = Engine(site, seed=3)
    for reading in readings:
        engine.update(reading)
    return engine


def end_ms(readings: Sequence[Reading]) -> int:
    return max((reading.time_ms for reading in readings), default=T0_MS)


def assert_rising(quantiles: Quantiles) -> None:
    """Known values rise; what lies beyond the horizon lies beyond it for every higher probability."""
    values = quantiles.values()
    known = [value for value in values if value is not None]
    assert values[: len(known)] == tuple(known)
    assert all(math.isfinite(value) and value >= 0.0 for value in known)
    assert all(one <= other for one, other in pairwise(known))


def assert_honest(forecast: Forecast) -> None:
    assert_rising(forecast.hours_remaining)
    assert_rising(forecast.hours_to_empty)
    for floor, empty in zip(forecast.hours_remaining.values(), forecast.hours_to_empty.values(), strict=True):
        assert floor is not None or empty is None
        assert floor is None or empty is None or floor <= empty
    chances = [point.probability for point in forecast.survival]
    assert all(0.0 <= chance <= 1.0 for chance in chances)
    assert all(one >= other for one, other in pairwise(chances))
    assert all(one.at_ms < other.at_ms for one, other in pairwise(forecast.survival))
    assert all(0.0 <= ahead.p10 <= ahead.p50 <= ahead.p90 <= 100.0 for ahead in forecast.drain_path)
    assert 0.0 <= forecast.never_probability <= 1.0


def assert_alike(one: object, other: object, where: str = "") -> None:
    """The same but for the last digits of sums, which the order of adding decides."""
    if isinstance(one, dict) and isinstance(other, dict):
        assert one.keys() == other.keys(), where
        for name, value in one.items():
            assert_alike(value, other[name], f"{where}.{name}")
    elif isinstance(one, list) and isinstance(other, list):
        assert len(one) == len(other), where
        for place, (a, b) in enumerate(zip(one, other, strict=True)):
            assert_alike(a, b, f"{where}[{place}]")
    elif isinstance(one, float | int) and isinstance(other, float | int):
        assert one == pytest.approx(other, rel=1e-9, abs=1e-9), where
    else:
        assert one == other, where


@settings(max_examples=40, deadline=None)
@given(histories, after_h, st.floats(0.0, 400.0))
def test_a_forecast_never_contradicts_itself(history: History, later_h: float, until_h: float) -> None:
    site, readings = history
    now_ms = end_ms(readings) + round(later_h * HOUR_MS)
    until_ms = now_ms + round(until_h * HOUR_MS)
    forecast = folded(site, readings).forecast(now_ms)
    assert_honest(forecast)
    chance = forecast.chance_until(until_ms)
    if chance is None:
        assert until_ms > now_ms + forecast.horizon_h * HOUR_MS
    else:
        assert 0.0 <= chance <= 1.0
    json.dumps(document(forecast), allow_nan=False)


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(histories, st.floats(0.0, 1.0), after_h)
def test_an_engine_taken_up_from_its_state_goes_on_as_if_nothing_had_been(
    history: History, part: float, later_h: float
) -> None:
    site, readings = history
    cut = round(part * len(readings))
    whole = folded(site, readings[:cut])
    saved = whole.snapshot()
    taken_up = Engine.restore(site, saved, seed=3)
    assert_alike(json.loads(taken_up.snapshot()), json.loads(saved))
    for reading in readings[cut:]:
        whole.update(reading)
        taken_up.update(reading)
    now_ms = end_ms(readings) + round(later_h * HOUR_MS)
    assert_alike(document(taken_up.forecast(now_ms)), document(whole.forecast(now_ms)))
    assert taken_up.status(now_ms) == whole.status(now_ms)
    assert taken_up.events() == whole.events()
    assert_alike(json.loads(taken_up.snapshot()), json.loads(whole.snapshot()))
