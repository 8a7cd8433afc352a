"""The chance to last until a time: one definition, from the issue to beyond the horizon."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecaster.domain.forecast import HORIZON_H, Forecast
from forecaster.domain.times import HOUR_MS
from forecaster.engine import reserve
from forecaster.engine.document import document, from_document, until_document
from tests.forecaster.engine.test_document import FORECAST, ISSUED

MINUTE_MS = 60_000
FAR_H = 365 * 24.0


def of_draws(hours: list[float]) -> Forecast:
    """A forecast whose hours remaining are these, equally likely."""
    drawn = np.array(hours)
    return replace(FORECAST, hours_remaining=reserve.quantiles(drawn), survival=reserve.survival(drawn, ISSUED))


def chance(forecast: Forecast, ahead_h: float) -> float | None:
    return forecast.chance_until(ISSUED + round(ahead_h * HOUR_MS))


@pytest.mark.parametrize("ahead_h", [-1.0, 0.0, 5 / 60, 0.999, 1.0, 6.0, HORIZON_H, FAR_H])
def test_nothing_is_left_once_the_floor_is_reached(ahead_h: float) -> None:
    """By definition: at the floor the chance to be above it is 0, five minutes on, six hours on, a year on."""
    assert chance(of_draws([0.0] * 400), ahead_h) == 0.0


def test_after_every_draw_has_reached_the_floor_nothing_is_left() -> None:
    forecast = of_draws(list(np.linspace(2.5, 7.5, 400)))
    assert chance(forecast, 0.0) == 1.0
    assert chance(forecast, 5.0) == pytest.approx(0.5, abs=0.003)
    assert [chance(forecast, h) for h in (8.0, 9.5, 100.0, HORIZON_H + 1.0, FAR_H)] == [0.0] * 5


def test_beyond_the_horizon_nobody_knows_while_a_draw_lasts() -> None:
    forecast = of_draws([20.0] * 399 + [np.inf])
    assert chance(forecast, HORIZON_H) == pytest.approx(1 / 400)
    assert chance(forecast, HORIZON_H + 1 / 60) is None
    assert chance(replace(forecast, survival=()), 1.0) is None


def test_part_of_the_draws_at_the_floor_already() -> None:
    """A fifth of the draws stand at the floor at the issue: the curve begins at the greatest level that is there."""
    forecast = of_draws([0.0] * 80 + [10.0] * 320)
    assert chance(forecast, 0.0) == pytest.approx(0.9)
    assert chance(forecast, 1.0) == pytest.approx(0.8)


@given(st.lists(st.floats(0.0, 500.0) | st.just(np.inf), min_size=20, max_size=400), st.floats(0.0, 400.0))
def test_the_curve_follows_the_draws(hours: list[float], ahead_h: float) -> None:
    """Against the share of draws that last: equal at every full hour, between its neighbours elsewhere."""
    forecast, drawn = of_draws(hours), np.array(hours)
    curve = forecast.chances()
    assert [p.at_ms for p in curve] == sorted({p.at_ms for p in curve})
    assert [p.probability for p in curve] == sorted((p.probability for p in curve), reverse=True)
    said = chance(forecast, ahead_h)
    if ahead_h > HORIZON_H and said is None:
        assert float(np.mean(drawn > HORIZON_H)) > 0.0
        return
    assert said is not None
    early, late = np.floor(ahead_h), min(np.ceil(ahead_h + 1e-6), HORIZON_H)
    before = 1.0 if early == 0.0 else float(np.mean(drawn > early))
    after = float(np.mean(drawn > late)) if ahead_h <= HORIZON_H else 0.0
    assert after - 1e-9 <= said <= before + 1e-9


@given(st.floats(0.02, 0.98))
def test_within_the_first_hour_the_quantiles_are_kept(ahead_h: float) -> None:
    """Twenty minutes left are told as such: uniform draws from 0 to 1 h last x hours with chance 1 - x."""
    forecast = from_document(document(of_draws(list(np.linspace(0.0, 1.0, 401)[1:]))))
    assert chance(forecast, ahead_h) == pytest.approx(1.0 - ahead_h, abs=0.015)


def test_the_document_gives_what_the_forecast_gives() -> None:
    forecast = of_draws(list(np.linspace(0.2, 30.0, 400)))
    read = from_document(document(forecast))
    for minutes in range(0, 40 * 60, 7):
        at_ms = ISSUED + minutes * MINUTE_MS
        given_by = until_document(read, at_ms)["probability"]
        assert given_by == pytest.approx(forecast.chance_until(at_ms), abs=0.01), minutes
