"""Template contexts of the pages with large forms: sizing, the discharge test, set-up."""

from __future__ import annotations

from dataclasses import dataclass

from api.pages.contexts import DataTable, Fact
from api.pages.siteform import FormSection


@dataclass(frozen=True, slots=True)
class SizingContext:
    """The sizing page: form, answer or problem. asked : (name, label, unit, value); asked_in : units of the form."""

    sections: tuple[FormSection, ...]
    asked: tuple[tuple[str, str, str, str], ...]
    asked_in: str
    end_of_life: bool
    problem: str
    verdict: str
    findings: tuple[Fact, ...]
    hours: tuple[Fact, ...]
    options: tuple[Fact, ...]
    steps: DataTable | None
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RehearsalLine:
    """One finished discharge test. helps : what would help, each with the hours that it leads to"""

    at: str
    by: str
    end: str
    verdict: str
    facts: tuple[Fact, ...]
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]
    helps: tuple[Fact, ...]


@dataclass(frozen=True, slots=True)
class YearsContext:
    """Discharge tests compared over the years: what they say, and the capacity at each."""

    says: str
    tests: tuple[Fact, ...]


@dataclass(frozen=True, slots=True)
class RehearsalContext:
    """The discharge test page. running : id of the test that runs, None where none does.

    pulled : bool — somebody has said that the plug is being pulled; several : bool — there are several packs
    """

    running: str | None
    pulled: bool
    says: str
    since: str
    lines: tuple[RehearsalLine, ...]
    least_percent: int
    several: bool = False
    years: YearsContext | None = None


CARRIED = ("topic", "path", "time", "format", "values", "guess", "guess_unit", "sure", "hint")
"""What a line of the form carries along of what was heard, in hidden fields."""

CHOSEN = ("quantity", "unit", "of")
"""What is chosen on a line."""


@dataclass(frozen=True, slots=True)
class OfferLine:
    """A field that was heard on the broker: its values, what it may be, and what was chosen for it.

    hint : what it may be and why, in words; guess, guess_unit : what is suggested, "" for nothing
    sure : "both" where its name and its values speak for the suggestion, "name" where the name alone does, else ""
    stored : its newest value as it would be stored, "" where none would be
    """

    number: int
    topic: str
    path: str
    time: str
    format: str
    values: str
    hint: str
    guess: str
    guess_unit: str
    sure: str
    quantity: str = ""
    unit: str = ""
    of: str = ""
    stored: str = ""

    @property
    def carried(self) -> tuple[tuple[str, str], ...]:
        """Its hidden fields, (name, value)."""
        return tuple((key, getattr(self, key)) for key in CARRIED)


@dataclass(frozen=True, slots=True)
class LiveLine:
    """What is heard of one field now, for the script; in words."""

    topic: str
    path: str
    values: str
    age: str
    hint: str
    stored: str


@dataclass(frozen=True, slots=True)
class LoadRow:
    """Another load on the pack, as filled in."""

    number: int
    name: str
    watts: str


@dataclass(frozen=True, slots=True)
class Offer:
    """A topic that was heard on the broker, and its fields."""

    topic: str
    messages: int
    retained_only: bool
    lines: tuple[OfferLine, ...]


@dataclass(frozen=True, slots=True)
class ChannelPreview:
    """A channel's value as it would be stored."""

    quantity: str
    topic: str
    value: str
    heard: bool


@dataclass(frozen=True, slots=True)
class SetupContext:
    """The set-up page: what was filled in, heard, checked.

    likely, others : topics with a field that is chosen, suggested or faulty, and the rest
    unseen : fields that are heard and not shown yet; listening : it is listened to the broker at present
    kept : what is said of a draft, "" for nothing; steps : (anchor, name, how it stands)
    quantities : (key, name, stored unit)
    faults : what is wrong, by field; listed : (field, its name and what is wrong)
    """

    values: dict[str, str]
    filter: str
    seconds: str
    heard: bool
    likely: tuple[Offer, ...]
    others: tuple[Offer, ...]
    unseen: int
    listening: bool
    kept: str
    steps: tuple[tuple[str, str, str], ...]
    quantities: tuple[tuple[str, str, str], ...]
    zones: tuple[str, ...]
    loads: tuple[LoadRow, ...]
    more_open: bool
    sections: tuple[FormSection, ...]
    problem: str
    faults: dict[str, str]
    listed: tuple[tuple[str, str], ...]
    previews: tuple[ChannelPreview, ...]
    refused: tuple[str, ...]
    toml: str
