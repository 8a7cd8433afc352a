"""The base of all sections of a site file, and those that say when nobody, or somebody else, is to be told."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from collector.config.named import Name
from collector.config.refused import Refused
from forecaster.texts.catalogue import Said


class Section(BaseModel):
    """A strict section: unknown keys, text in place of a number, and numbers that are not finite are errors."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=False)


def member_of(kind: Any) -> BeforeValidator:
    """Turns TOML text into the member of an enumeration before strict checking."""

    def member(value: object) -> object:
        return kind(value) if isinstance(value, str) and value in {m.value for m in kind} else value

    return BeforeValidator(member)


def _day(value: object) -> object:
    """A day written as text becomes one; the strict check says what is wrong with any other."""
    try:
        return date.fromisoformat(value) if isinstance(value, str) else value
    except ValueError:
        return value


Day_ = Annotated[date, BeforeValidator(_day)]


class AwaySection(Section):
    """[away]"""

    first: Day_ = Field(alias="from", examples=["2026-03-01"])
    last: Day_ = Field(alias="until", examples=["2026-03-14"])
    look_after: list[Name] = Field(default=[], max_length=20, examples=['["neighbour"]'])

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.last < self.first:
            raise Refused(Said("config.away_ends_before_it_begins"), Said("config.give_a_later_last_day"))
        return self


class PauseSection(Section):
    """[pause]"""

    until: Day_ = Field(examples=["2026-03-14"])
