"""The forecast document: the shape people script against, null instead of NaN, and back again."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecaster.domain.errors import UsageError
from forecaster.domain.forecast import (
    Basis,
    ChargeAhead,
    Coverage,
    DrawParts,
    Forecast,
    Quantiles,
    SurvivalPoint,
    Water,
)
from forecaster.domain.runs import Supply
from forecaster.engine.document import document, from_document, time_ms, time_text, time_texts

ISSUED = 1_772_510_706_000

FORECAST = Forecast(
    site="larkspur",
    issued_at_ms=ISSUED,
    supply=Supply.PACK,
    basis=Basis.MEASURED,
    data_age_s=4.2,
    charge_percent=71.0,
    usable_wh=498.0,
    draw_w=41.2,
    cycles_per_hour=19.6,
    run_s=10.3,
    wh_per_cycle=1.9,
    duty=0.056,
    hours_remaining=Quantiles(9.1, 9.6, 10.6, 11.9, 13.4, 15.0, None),
    hours_to_empty=Quantiles(10.4, 11.0, 12.0, 13.4, 15.0, 16.8, 18.1),
    survival=(SurvivalPoint(ISSUED + 3_600_000, 1.0),),
    water=Water(8.6, 155.0, 6.2, 31.0),
    degraded=("rain not measured",),
    supply_inferred=True,
    supply_since_ms=ISSUED - 5_000_123,
    draw=DrawParts(30.0, 2.0, 9.2, 0.0),
    drain_path=(ChargeAhead(ISSUED + 3_600_000, 66.0, 67.0, 68.0),),
    full_at_ms=ISSUED + 9_000_000,
    never_probability=0.02,
    coverage=Coverage(17, 20, 1.1),
)


def test_the_document_has_every_key_of_the_interface() -> None:
    found = document(FORECAST)
    assert {
        "site", "issued_at", "supply", "basis", "data_age_s", "charge_percent", "usable_wh", "draw_w",
        "cycles_per_hour", "run_s", "wh_per_cycle", "duty", "hours_remaining", "hours_to_empty", "reserve_at",
        "survival", "water",
        "horizon_h", "degraded", "degraded_codes",
    } <= set(found)  # fmt: skip
    assert found["issued_at"] == "2026-03-03T04:05:06Z"
    assert found["supply"] == "pack"
    assert found["basis"] == "measured"
    assert list(found["hours_remaining"]) == ["p05", "p10", "p25", "p50", "p75", "p90", "p95"]
    assert found["hours_remaining"]["p95"] is None
    assert found["reserve_at"]["p50"] == "2026-03-03T15:59:06Z"
    assert found["survival"] == [{"at": "2026-03-03T05:05:06Z", "probability": 1.0}]
    assert set(found["water"]) >= {"inflow_l_per_min", "pump_rate_l_per_min", "minutes_to_floor"}
    assert found["horizon_h"] == 336


def test_a_document_read_back_is_the_same_forecast() -> None:
    assert from_document(json.loads(json.dumps(document(FORECAST)))) == FORECAST


def test_nan_and_infinity_become_null() -> None:
    found = document(replace(FORECAST, draw_w=math.nan, usable_wh=math.inf, hours_remaining=Quantiles(p50=math.inf)))
    assert found["draw_w"] is None
    assert found["usable_wh"] is None
    assert found["hours_remaining"]["p50"] is None
    assert found["reserve_at"]["p50"] is None
    json.dumps(found, allow_nan=False)


@given(
    st.lists(st.floats(0, 400, allow_nan=False), min_size=7, max_size=7),
    st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True)),
    st.integers(0, 4_102_444_800_000),
)
def test_any_forecast_makes_strict_json_that_round_trips(hours: list[float], odd: float | None, issued: int) -> None:
    forecast = replace(
        FORECAST, issued_at_ms=issued, hours_remaining=Quantiles(*sorted(hours)), draw_w=odd, data_age_s=odd, run_s=odd
    )
    text = json.dumps(document(forecast), allow_nan=False)
    again = document(from_document(json.loads(text)))
    assert json.dumps(again, allow_nan=False) == text
    values = [value for value in again["hours_remaining"].values() if value is not None]
    assert values == sorted(values)


@given(st.integers(0, 4_102_444_800_000))
def test_times_round_trip_to_the_millisecond(at_ms: int) -> None:
    assert time_ms(time_text(at_ms)) == at_ms
    assert time_texts([at_ms, 0, at_ms + 1]) == [time_text(at_ms), time_text(0), time_text(at_ms + 1)]


@pytest.mark.parametrize(
    ("text", "says"),
    [("yesterday", "is not a time"), ("2026-03-03T04:05:06", "offset from UTC")],
)
def test_a_wrong_time_is_told_in_one_line(text: str, says: str) -> None:
    with pytest.raises(UsageError, match=says):
        time_ms(text)


@pytest.mark.parametrize(
    ("key", "value"), [("basis", "guessed"), ("supply", None), ("survival", 3), ("hours_remaining", {"p49": 1.0})]
)
def test_a_wrong_document_is_told_in_one_line(key: str, value: object) -> None:
    with pytest.raises(UsageError, match="wrong value"):
        from_document({**document(FORECAST), key: value})
    with pytest.raises(UsageError, match=f"lacks '{key}'"):
        from_document({name: value for name, value in document(FORECAST).items() if name != key})
