"""The forecast document: a forecast as the JSON that people script against, and back.

Quantiles beyond the horizon and values not known are null, never NaN. Hours are given to a hundredth,
percents and watts to a tenth, so that a document read back and written again is the same document.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from forecaster.domain.errors import UsageError
from forecaster.domain.forecast import (
    Basis,
    Coverage,
    DrawParts,
    Forecast,
    Quantiles,
    SurvivalPoint,
    Water,
)
from forecaster.domain.runs import Supply
from forecaster.domain.times import HOUR_MS
from forecaster.texts.catalogue import Said, words

LEVEL_NAMES: tuple[str, ...] = ("p05", "p10", "p25", "p50", "p75", "p90", "p95")
DEGRADED = "degraded."
"""Section of the catalogue whose keys are the reason codes."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def time_text(at_ms: int) -> str:
    """UTC milliseconds as RFC 3339 with Z; the fraction is written only where there is one."""
    moment = _EPOCH + timedelta(milliseconds=at_ms)
    return moment.isoformat(timespec="milliseconds" if at_ms % 1000 else "seconds").replace("+00:00", "Z")


def time_texts(at_ms: Sequence[int]) -> list[str]:
    """Many times at once, each as `time_text` writes it."""
    written = np.datetime_as_string(np.asarray(at_ms, dtype="datetime64[ms]"), unit="ms").tolist()
    return [f"{text.removesuffix('.000')}Z" for text in written]


def time_ms(text: str) -> int:
    """RFC 3339 as UTC milliseconds. UsageError where it is not a time with an offset."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"{text!r} is not a time", "write RFC 3339, such as 2026-03-03T04:05:06Z") from error
    if moment.tzinfo is None:
        raise UsageError(f"{text!r} does not say which offset from UTC it is in", "end it in Z or in +hh:mm")
    return round((moment - _EPOCH) / timedelta(milliseconds=1))


def _number(value: float | None, digits: int) -> float | None:
    """A rounded finite number, or None; minus zero becomes zero."""
    if value is None or not math.isfinite(value):
        return None
    return round(value, digits) + 0.0


def _quantiles(quantiles: Quantiles) -> dict[str, float | None]:
    return {name: _number(value, 2) for name, value in zip(LEVEL_NAMES, quantiles.values(), strict=True)}


def _moment(issued_ms: int, hours: float | None) -> str | None:
    """The time that lies `hours` after the issue, to the second."""
    if hours is None or not math.isfinite(hours):
        return None
    return time_text(round((issued_ms + round(hours, 2) * HOUR_MS) / 1000.0) * 1000)


def until_document(forecast: Forecast, at_ms: int) -> dict[str, Any]:
    """The chance that the pack is above its floor until a time, as the document's `until`."""
    return {"at": time_text(at_ms), "probability": _number(forecast.chance_until(at_ms), 4)}


def _draw(draw: DrawParts | None) -> dict[str, float | None] | None:
    if draw is None:
        return None
    return {
        "pump_w": _number(draw.pump_w, 1),
        "loads_w": _number(draw.loads_w, 1),
        "pack_w": _number(draw.pack_w, 1),
        "charging_w": _number(draw.charging_w, 1),
    }


def _coverage(coverage: Coverage | None) -> dict[str, float | None] | None:
    if coverage is None:
        return None
    return {"hits": coverage.hits, "count": coverage.count, "widening": _number(coverage.widening, 3)}


def document(forecast: Forecast) -> dict[str, Any]:
    """The forecast as a JSON-ready dictionary: str, int, float, list, dict and None only, every float finite.

    `until` is null: it is filled in, from `until_document`, where somebody asks for a time.
    """
    hours, issued = forecast.hours_remaining, forecast.issued_at_ms
    water = forecast.water
    return {
        "site": forecast.site,
        "issued_at": time_text(issued),
        "supply": forecast.supply.value,
        "basis": forecast.basis.value,
        "data_age_s": _number(forecast.data_age_s, 1),
        "charge_percent": _number(forecast.charge_percent, 1),
        "usable_wh": _number(forecast.usable_wh, 1),
        "draw_w": _number(forecast.draw_w, 1),
        "cycles_per_hour": _number(forecast.cycles_per_hour, 2),
        "run_s": _number(forecast.run_s, 1),
        "wh_per_cycle": _number(forecast.wh_per_cycle, 3),
        "duty": _number(forecast.duty, 4),
        "hours_remaining": _quantiles(hours),
        "hours_to_empty": _quantiles(forecast.hours_to_empty),
        "reserve_at": {
            "p10": _moment(issued, hours.p10),
            "p50": _moment(issued, hours.p50),
            "p90": _moment(issued, hours.p90),
        },
        "survival": [
            {"at": at, "probability": _number(point.probability, 4)}
            for at, point in zip(time_texts([p.at_ms for p in forecast.survival]), forecast.survival, strict=True)
        ],
        "water": {
            "inflow_l_per_min": _number(water.inflow_l_per_min, 2),
            "pump_rate_l_per_min": _number(water.pump_rate_l_per_min, 1),
            "minutes_to_floor": _number(water.minutes_to_floor, 1),
            "halving_h": _number(water.halving_h, 1),
        },
        "horizon_h": forecast.horizon_h,
        "degraded": [str(reason) for reason in forecast.degraded],
        "degraded_codes": [reason_code(reason) for reason in forecast.degraded],
        "supply_inferred": forecast.supply_inferred,
        "supply_since": None if forecast.supply_since_ms is None else time_text(forecast.supply_since_ms),
        "draw": _draw(forecast.draw),
        "until": None,
        "drain_path": [
            {
                "at": at,
                "p10": _number(low, 1),
                "p50": _number(middle, 1),
                "p90": _number(high, 1),
            }
            for at, (_, low, middle, high) in zip(
                time_texts([point[0] for point in forecast.drain_path]), forecast.drain_path, strict=True
            )
        ],
        "full_at": None if forecast.full_at_ms is None else time_text(forecast.full_at_ms),
        "never_probability": _number(forecast.never_probability, 4),
        "coverage": _coverage(forecast.coverage),
    }


def _point_of(value: Mapping[str, Any]) -> SurvivalPoint:
    return SurvivalPoint(at_ms=time_ms(value["at"]), probability=value["probability"])


def from_document(value: Mapping[str, Any]) -> Forecast:
    """A forecast from its document; what was rounded away stays away. UsageError names what is missing or wrong.

    Keys that later versions added may be absent: they are taken as not known.
    """
    try:
        return _from_document(value)
    except KeyError as error:
        raise UsageError(f"the forecast document lacks {error}", "give a whole document") from error
    except (TypeError, ValueError, AttributeError) as error:
        raise UsageError(f"the forecast document has a wrong value: {error}", "give a document as published") from error


def _from_document(value: Mapping[str, Any]) -> Forecast:
    draw, coverage = value.get("draw"), value.get("coverage")
    since, full = value.get("supply_since"), value.get("full_at")
    return Forecast(
        site=value["site"],
        issued_at_ms=time_ms(value["issued_at"]),
        supply=Supply(value["supply"]),
        basis=Basis(value["basis"]),
        data_age_s=value["data_age_s"],
        charge_percent=value["charge_percent"],
        usable_wh=value["usable_wh"],
        draw_w=value["draw_w"],
        cycles_per_hour=value["cycles_per_hour"],
        run_s=value["run_s"],
        wh_per_cycle=value["wh_per_cycle"],
        duty=value["duty"],
        hours_remaining=Quantiles(**value["hours_remaining"]),
        hours_to_empty=Quantiles(**value["hours_to_empty"]),
        survival=tuple(_point_of(point) for point in value["survival"]),
        water=Water(**value["water"]),
        degraded=tuple(reasons(value)),
        supply_inferred=value.get("supply_inferred", False),
        supply_since_ms=None if since is None else time_ms(since),
        draw=None if draw is None else DrawParts(**draw),
        horizon_h=value["horizon_h"],
        drain_path=tuple(
            (time_ms(point["at"]), point["p10"], point["p50"], point["p90"]) for point in value.get("drain_path", ())
        ),
        full_at_ms=None if full is None else time_ms(full),
        never_probability=value.get("never_probability", 0.0),
        coverage=None if coverage is None else Coverage(**coverage),
    )


def reason_code(reason: str) -> dict[str, Any] | None:
    """A degraded reason as its code and what is filled in; None for one without a code."""
    if not isinstance(reason, Said):
        return None
    return {"code": reason.key.removeprefix(DEGRADED), **{name: str(x) for name, x in reason.values.items()}}


def reasons(value: Mapping[str, Any]) -> Iterator[str]:
    """The degraded reasons of a document, able to be said in any language where it carries their codes."""
    codes = value.get("degraded_codes") or [None] * len(value["degraded"])
    for text, code in zip(value["degraded"], codes, strict=True):
        key = "" if code is None else f"{DEGRADED}{code['code']}"
        if code is not None and key in words():
            yield Said(key, **{name: x for name, x in code.items() if name != "code"})
        else:
            yield text
