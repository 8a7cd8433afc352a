"""What every template may be given: typed, already in the site's words, units and zone."""

from __future__ import annotations

from dataclasses import dataclass

from forecaster.domain.alarms import Alarm


@dataclass(frozen=True, slots=True)
class Caller:
    """Who looks: whether they may operate, the form token, and whether there is a session to leave.

    site : str | None — the only site the session may see; None: all
    """

    operate: bool = True
    form_token: str = ""
    signed_in: bool = False
    site: str | None = None
    name: str = ""


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of a list of facts."""

    name: str
    value: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class DataTable:
    """A data table: head cells, rows, and what stands above it."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class AlarmCard:
    """One alarm as it is told on a page.

    headline : str — without the site's name, which stands above it
    over : bool — the condition has gone
    afar : str — what to do from far away, "" where nothing, or where the viewer may not see names
    told : who was told, a line a message; empty where the viewer may not see names
    then : what was told when it was raised or last told, "" where that is what stands here
    """

    alarm: Alarm
    headline: str
    over: bool
    afar: str
    kind: str
    priority: str
    state: str
    since: str
    changed: str | None
    shelved_until: str | None
    acknowledged: str | None
    can_acknowledge: bool
    can_shelve: bool
    told: tuple[str, ...] = ()
    then: str = ""


@dataclass(frozen=True, slots=True)
class LogLine:
    """A line of the log."""

    at: str
    at_iso: str
    says: str
    kind: str
