"""A forecast's fields are said once: its document, the reader of it and the schema of the answer follow them."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, fields

import pytest

from api.http.schemas import ForecastOut, Probability, ReserveAt
from api.http.shapes import Shape, derived
from forecaster.domain.forecast import Forecast
from forecaster.domain.members import written
from forecaster.engine.document import document, from_document
from tests.api.pagesample import forecast


@dataclass(frozen=True, slots=True)
class Wetness:
    """A part that no forecast has yet."""

    at_ms: int
    depth_mm: float = field(metadata=written(1))


@dataclass(frozen=True, slots=True)
class WiderForecast(Forecast):
    """A forecast with fields that are declared here and nowhere else."""

    rain_mm: float | None = field(default=None, metadata=written(1, later=True, says="Fallen today."))
    wettest_ms: int | None = field(default=None, metadata=written(later=True))
    wetness: tuple[Wetness, ...] = field(default=(), metadata=written(later=True))


@derived(Wetness)
class WetnessOut(Shape):
    """A part."""


@derived(WiderForecast)
class WiderOut(Shape):
    """A forecast with more."""

    reserve_at: ReserveAt
    degraded_codes: list[dict[str, str] | None]
    until: Probability | None


def wider() -> WiderForecast:
    """The pages' sample with the further fields filled in."""
    plain = forecast()
    held = {one.name: getattr(plain, one.name) for one in fields(Forecast)}
    at_ms = plain.issued_at_ms
    return WiderForecast(**held, rain_mm=2.06, wettest_ms=at_ms, wetness=(Wetness(at_ms, 0.35), Wetness(at_ms, 0.0)))


def test_a_new_field_stands_in_the_document_without_another_word() -> None:
    found, plain = document(wider()), document(forecast())
    at = plain["issued_at"]
    more = {
        "rain_mm": 2.1,
        "wettest": at,
        "wetness": [{"at": at, "depth_mm": 0.3}, {"at": at, "depth_mm": 0.0}],
    }
    assert found == {**plain, **more}
    assert list(found) == [*plain, *more]


def test_a_new_field_is_read_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("forecaster.engine.document.Forecast", WiderForecast)
    text = json.dumps(document(wider()))
    again = from_document(json.loads(text))
    assert isinstance(again, WiderForecast)
    assert (again.rain_mm, again.wettest_ms) == (2.1, forecast().issued_at_ms)
    assert json.dumps(document(again)) == text
    older = from_document(document(forecast()))
    assert isinstance(older, WiderForecast)
    assert (older.rain_mm, older.wettest_ms, older.wetness) == (None, None, ())


def test_a_new_field_stands_in_the_schema() -> None:
    had, found = (shape.model_json_schema(mode="serialization") for shape in (ForecastOut, WiderOut))
    more = {name: spec for name, spec in found["properties"].items() if name not in had["properties"]}
    assert list(more) == ["rain_mm", "wettest", "wetness"]
    assert more["rain_mm"]["description"] == "Fallen today."
    assert more["wettest"]["anyOf"][0]["format"] == "date-time"
    assert more["wetness"]["items"] == {"$ref": "#/$defs/WetnessOut"}
    assert not set(more) & set(found["required"])


def test_the_schema_has_the_members_of_the_document_in_their_order() -> None:
    found = ForecastOut.model_json_schema()["properties"]
    assert list(document(forecast())) == list(found)
    assert len(found) == len(asdict(forecast())) + 3  # reserve_at, degraded_codes and until are worked out
