"""What each template is given: typed, already in the site's words, units and zone."""

from __future__ import annotations

from dataclasses import dataclass, field

from markupsafe import Markup

from api.pages.siteform import FormSection
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
class Table:
    """A data table: head cells, rows, and what stands above it."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Marker:
    """The movable marker: its moment, the form's field value, its meaning and name, and what it reads out."""

    at_ms: int
    field_value: str
    meaning: str
    says: str
    name: str
    line: str
    set_by_person: bool


@dataclass(frozen=True, slots=True)
class AlarmCard:
    """One alarm as it is told on a page."""

    alarm: Alarm
    kind: str
    priority: str
    state: str
    since: str
    shelved_until: str | None
    acknowledged: str | None
    can_acknowledge: bool
    can_shelve: bool


@dataclass(frozen=True, slots=True)
class LogLine:
    """A line of the log."""

    at: str
    at_iso: str
    says: str
    kind: str


@dataclass(frozen=True, slots=True)
class Age:
    """How old what is seen is: words, epoch milliseconds of the newest reading, and whether it is stale."""

    says: str
    heard_ms: int | None
    stale: bool


@dataclass(frozen=True, slots=True)
class SiteNow:
    """The living part of a site's page.

    survival : str — JSON of [[UTC ms, chance 0..1], ...] for the script's marker
    silence_s : int — age from which the script calls what it shows old [s]
    """

    site: str
    name: str
    made_ms: int
    sentence: Markup
    under: tuple[str, ...]
    age: Age
    warnings: tuple[str, ...]
    alarms: tuple[AlarmCard, ...]
    strip_wide: Markup
    strip_tall: Markup
    strip_table: Table
    marker: Marker | None
    facts: tuple[Fact, ...]
    log: tuple[LogLine, ...]
    has_rain: bool
    zone: str
    survival: str
    silence_s: int


@dataclass(frozen=True, slots=True)
class FleetLine:
    """One line of the list of all sites."""

    id: str
    name: str
    supply: str
    reserve_at: str
    range: str
    left: str
    charge: str
    alarms: str
    heard: str
    stale: bool
    on_pack: bool


@dataclass(frozen=True, slots=True)
class Fleet:
    """All sites, soonest out first."""

    lines: tuple[FleetLine, ...]
    shown: str
    query: str
    show: str
    total: int
    page: int = 1
    pages: int = 1
    choices: tuple[tuple[str, str], ...] = field(default=())


@dataclass(frozen=True, slots=True)
class HistoryPicture:
    """One picture of the history page; hover is JSON for the script."""

    key: str
    title: str
    legend: tuple[tuple[str, str], ...]
    wide: Markup
    narrow: Markup
    hover: str
    table: Table
    empty: bool


@dataclass(frozen=True, slots=True)
class History:
    """The history of a site over a span."""

    name: str
    until: str
    said: str
    choices: tuple[tuple[str, str], ...]
    pictures: tuple[HistoryPicture, ...]
    outages: int
    runs: Table


@dataclass(frozen=True, slots=True)
class OutageLine:
    """One outage: what was forecast, and what happened."""

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


@dataclass(frozen=True, slots=True)
class SizingContext:
    """The sizing page: form, answer or problem. asked : (name, label, unit, value)."""

    sections: tuple[FormSection, ...]
    asked: tuple[tuple[str, str, str, str], ...]
    end_of_life: bool
    problem: str
    verdict: str
    findings: tuple[Fact, ...]
    hours: tuple[Fact, ...]
    options: tuple[Fact, ...]
    steps: Table | None
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RehearsalLine:
    """One finished discharge test."""

    at: str
    by: str
    end: str
    verdict: str
    facts: tuple[Fact, ...]
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RehearsalContext:
    """The discharge test page. running : id of the test that runs, None where none does."""

    running: str | None
    says: str
    since: str
    lines: tuple[RehearsalLine, ...]
    least_percent: int


@dataclass(frozen=True, slots=True)
class OfferLine:
    """A field that was heard: its values, what it may be, and what was chosen for it."""

    number: int
    topic: str
    path: str
    time: str
    format: str
    values: str
    hint: str
    guess: str
    guess_unit: str
    quantity: str
    unit: str


@dataclass(frozen=True, slots=True)
class Offer:
    """A topic that was heard."""

    topic: str
    messages: int
    retained_only: bool
    lines: tuple[OfferLine, ...]


@dataclass(frozen=True, slots=True)
class Preview:
    """A channel's value as it would be stored."""

    quantity: str
    topic: str
    value: str
    heard: bool


@dataclass(frozen=True, slots=True)
class SetupContext:
    """The set-up page: what was filled in, heard, checked. quantities : (key, name, stored unit)."""

    values: dict[str, str]
    filter: str
    seconds: str
    heard: bool
    offers: tuple[Offer, ...]
    quantities: tuple[tuple[str, str, str], ...]
    zones: tuple[str, ...]
    sections: tuple[FormSection, ...]
    problem: str
    previews: tuple[Preview, ...]
    refused: tuple[str, ...]
    toml: str
