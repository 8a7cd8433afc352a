"""The parts of template contexts: typed, and already in the site's words, units and time zone."""

from __future__ import annotations

from dataclasses import dataclass

from forecaster.domain.alarms import Alarm


@dataclass(frozen=True, slots=True)
class Caller:
    """The reader of a page: whether they may operate, the form token, and whether there is a session to log out of.

    site : str | None — the only site the session may see; None: all
    guest : bool — the session ends by itself, and its browser is told of nothing
    """

    operate: bool = True
    form_token: str = ""
    signed_in: bool = False
    site: str | None = None
    name: str = ""
    guest: bool = False


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of a list of facts."""

    name: str
    value: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class DataTable:
    """A data table: its caption, head cells and rows."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class AlarmCard:
    """One alarm on a page.

    headline : str — without the site's name, which stands above it
    over : bool — the condition is gone
    afar : str — what to do from far away; "" where there is nothing, or the reader may not see names
    told : who was told, a line for each message; empty where the reader may not see names
    then : what was told when it was raised or last told, "" where that is what stands here
    knows : str — who knows of it, in a few words; "" where nobody can be told, or the reader may not see names
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
    knows: str = ""


@dataclass(frozen=True, slots=True)
class LogLine:
    """A line of the log."""

    at: str
    at_iso: str
    says: str
    kind: str
