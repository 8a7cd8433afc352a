"""Template contexts of one outage: its page, its report, outages side by side."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from api.pages.contexts import DataTable, Fact, LogLine
from api.pages.pastends import PastEnds


@dataclass(frozen=True, slots=True)
class ToldLine:
    """A message to a person: who, by which channel, of what, and what became of it when."""

    who: str
    channel: str
    of: str
    became: str


@dataclass(frozen=True, slots=True)
class AskedLine:
    """An alarm of an outage: what was asked, by when, and who answered."""

    mark: str
    priority: str
    kind: str
    headline: str
    asked: str
    states: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OutageTold:
    """One outage in words and pictures.

    says : the one sentence; facts : figures; heard : how completely each channel was heard
    people : messages to people; masked : names are withheld from this reader
    more : of the timeline and of the messages, how many are left out here, "" where none are
    """

    id: str
    title: str
    start: str
    says: str
    inferred: bool
    facts: tuple[Fact, ...]
    strip_wide: Markup
    strip_tall: Markup
    ends: PastEnds | None
    timeline: tuple[LogLine, ...]
    asked: tuple[AskedLine, ...]
    people: tuple[ToldLine, ...]
    heard: DataTable
    rehearsal: bool
    masked: bool
    more: str = ""
    more_people: str = ""
