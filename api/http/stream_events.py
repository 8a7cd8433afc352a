"""The events of the stream, described. OpenAPI 3.1 has no word for the items of a stream: they stand as schemas.

Each `…Event` has the fields of an event of the HTML standard, section 9.2; its `data` is JSON of the schema that is
named beside it (`contentSchema` of JSON Schema 2020-12).
"""

from __future__ import annotations

from typing import Any

from pydantic.json_schema import models_json_schema

from api.http.schemas import AlarmOut, ForecastOut
from api.http.shapes import Shape, Time
from forecaster.domain.alarms import TransitionKind
from forecaster.domain.quantities import Quantity

EVENT_STREAM = "text/event-stream"
PLACE = "#/components/schemas/{model}"


class SiteStateOut(Shape):
    """How a site stands: its newest forecast, without its long lists, and its alarms that stand."""

    site: str
    forecast: ForecastOut | None
    alarms: list[AlarmOut]


class StateOut(Shape):
    """How sites stand; `last` where no others follow."""

    sites: list[SiteStateOut]
    last: bool


class AlarmChangeEventOut(AlarmOut):
    """An alarm as it was after something had happened to it."""

    transition: TransitionKind


class ReadingOut(Shape):
    """A measured value."""

    site: str
    quantity: Quantity
    subject: str
    time: Time
    value: float
    unit: str


class LostOut(Shape):
    """So many events were dropped, as they were read too slowly."""

    count: int


KINDS: dict[str, type[Shape]] = {
    "state": StateOut, "forecast": ForecastOut, "alarm": AlarmChangeEventOut, "reading": ReadingOut, "lost": LostOut,
}  # fmt: skip
"""The data of each kind of event."""

EVENTS: dict[str, Any] = {
    "type": "string",
    "x-item-schema": {"$ref": PLACE.format(model="StreamEvent")},
}
"""Server-Sent Events as one text, and the schema of each."""


def event_schemas() -> dict[str, Any]:
    """The schemas of the events and of what they carry, by name."""
    _, found = models_json_schema([(kind, "serialization") for kind in KINDS.values()], ref_template=PLACE)
    schemas: dict[str, Any] = found["$defs"]
    for kind, model in KINDS.items():
        schemas[_named(kind)] = {
            "title": _named(kind),
            "type": "object",
            "description": str(model.__doc__),
            "required": ["event", "data"],
            "properties": {
                "event": {"const": kind, "type": "string"},
                "id": {"type": "string"},
                "data": {
                    "type": "string",
                    "contentMediaType": "application/json",
                    "contentSchema": {"$ref": PLACE.format(model=model.__name__)},
                },
            },
        }
    schemas["StreamEvent"] = {
        "title": "StreamEvent",
        "oneOf": [{"$ref": PLACE.format(model=_named(kind))} for kind in KINDS],
        "discriminator": {
            "propertyName": "event",
            "mapping": {kind: PLACE.format(model=_named(kind)) for kind in KINDS},
        },
    }
    return schemas


def _named(kind: str) -> str:
    return f"{kind.capitalize()}Event"
