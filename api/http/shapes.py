"""The base of response models, and how a model is derived from the dataclass behind its document."""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum
from typing import Annotated, Any, Literal, TypeVar, cast

from pydantic import BaseModel, ConfigDict, Field, create_model

from forecaster.domain.members import Member, members

Number = float | None
Time = Annotated[str, Field(json_schema_extra={"format": "date-time"})]

_MADE: dict[type, type[BaseModel]] = {}
"""The model derived from each dataclass; the models of its parts must be derived first."""


class Shape(BaseModel):
    """Base of all answers: more fields may be added at any time."""

    model_config = ConfigDict(extra="allow")


S = TypeVar("S", bound=Shape)


def derived(source: type) -> Callable[[type[S]], type[S]]:
    """Class decorator: gives a response model the members of a dataclass's document.

    The decorated class declares only the members that the document works out beside them (`then`).
    """

    def derive(shape: type[S]) -> type[S]:
        given: dict[str, Any] = {}
        for member in members(source):
            given[member.key] = (_type_of(member), _default_of(member))
            given |= {name: (shape.model_fields[name].annotation, shape.model_fields[name]) for name in member.then}
        made = create_model(shape.__name__, __base__=Shape, __module__=shape.__module__, __doc__=shape.__doc__, **given)
        _MADE[source] = made
        return cast(type[S], made)

    return derive


def _type_of(member: Member) -> Any:
    """The type of a member's value in JSON."""
    if member.part:
        kind: Any = _MADE[member.type]
    elif member.moment:
        kind = Time
    elif issubclass(member.type, Enum):
        kind = Literal[tuple(one.value for one in member.type)]
    else:
        kind = Annotated[float, Field(ge=0, le=1)] if member.share else member.type
    if member.many:
        return list[kind]
    return kind | None if member.optional or member.digits is not None else kind


def _default_of(member: Member) -> Any:
    """The default and the description of a member."""
    default = ... if not member.later else list(member.default) if member.many else member.default
    return Field(default, description=member.says or None)
