"""Template contexts of the pages about the past: history, outages, the health of the telemetry."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from api.pages.contexts import DataTable


@dataclass(frozen=True, slots=True)
class HistoryPicture:
    """One picture of the history page; hover is JSON for the script."""

    key: str
    title: str
    legend: tuple[tuple[str, str], ...]
    wide: Markup
    narrow: Markup
    hover: str
    table: DataTable
    empty: bool


@dataclass(frozen=True, slots=True)
class History:
    """The history of a site over a span.

    outages : its outages, (id, when it began); note : what it leaves out, "" for nothing
    second : the newest runs of a second pump; None where there is one pump only
    """

    name: str
    until: str
    said: str
    note: str
    choices: tuple[tuple[str, str], ...]
    pictures: tuple[HistoryPicture, ...]
    outages: tuple[tuple[str, str], ...]
    runs: DataTable
    second: DataTable | None = None


@dataclass(frozen=True, slots=True)
class OutageLine:
    """One outage: what was forecast, and what happened."""

    id: str
    start: str
    end: str
    length: str
    lowest: str
    used: str
    forecast: str
    happened: str
    rehearsal: bool


@dataclass(frozen=True, slots=True)
class ChannelLine:
    """One channel's health: where it comes from, its latest value and how old that is."""

    quantity: str
    topic: str
    path: str
    value: str
    age: str
    limit: str
    stale: bool
    never: bool


@dataclass(frozen=True, slots=True)
class RefusalLine:
    """A message that was refused, and why."""

    at: str
    topic: str
    payload: str
    reason: str
