"""Template contexts of the part of a site's page that is updated live, and of the list of all sites."""

from __future__ import annotations

from dataclasses import dataclass, field

from markupsafe import Markup

from api.pages.acting import ActNow
from api.pages.contexts import AlarmCard, DataTable, Fact, LogLine
from api.pages.whychanged import WhyChanged


@dataclass(frozen=True, slots=True)
class Marker:
    """The movable marker: its moment, the value of the form field, its meaning and name, and the text that it shows."""

    at_ms: int
    field_value: str
    meaning: str
    says: str
    name: str
    line: str
    set_by_person: bool


@dataclass(frozen=True, slots=True)
class DataAge:
    """The age of the data: in words, the time of the newest reading in epoch milliseconds, and whether it is stale."""

    says: str
    heard_ms: int | None
    stale: bool


@dataclass(frozen=True, slots=True)
class SiteNow:
    """The part of a site's page that is updated live.

    act : ActNow | None — what stands on top; alarms : those that it does not tell
    middle_ms : int | None — the middle of the range, for the script to say it in the reader's own time
    survival : str — JSON of [[UTC ms, chance 0..1], ...] for the script's marker
    held : what the shaded range claims
    why : what moved the end, the reader's own question first
    silence_s : int — age from which the script marks the page as out of date [s]
    """

    site: str
    name: str
    made_ms: int
    middle_ms: int | None
    sentence: Markup
    under: tuple[str, ...]
    age: DataAge
    banners: tuple[str, ...]
    warnings: tuple[str, ...]
    act: ActNow | None
    alarms: tuple[AlarmCard, ...]
    strip_wide: Markup
    strip_tall: Markup
    strip_table: DataTable
    marker: Marker | None
    facts: tuple[Fact, ...]
    log: tuple[LogLine, ...]
    log_note: str
    has_rain: bool
    has_water_ahead: bool
    zone: str
    survival: str
    silence_s: int
    held: str = ""
    why: tuple[WhyChanged, ...] = ()


@dataclass(frozen=True, slots=True)
class FleetLine:
    """One line of the list of all sites.

    urgency : "need", "hand", "silent" or "well"
    mark, priority : of the alarm that stands: its name in the style, and in words; "" where none stands
    alarms, action, told : what is the matter, what to do, who knows of it
    percent, reserve : charge and reserve floor, for the strip [%]
    heard_ms : int | None — when the newest reading was heard, so that its age ticks
    """

    id: str
    name: str
    groups: str
    urgency: str
    mark: str
    priority: str
    alarms: str
    action: str
    told: str
    reserve_at: str
    range: str
    zone: str
    left: str
    percent: int | None
    reserve: int
    charge: str
    supply: str
    heard: str
    heard_ms: int | None
    stale: bool
    on_pack: bool


@dataclass(frozen=True, slots=True)
class FleetCount:
    """How many sites stand how: the style's name, and words."""

    urgency: str
    says: str


@dataclass(frozen=True, slots=True)
class FleetBanner:
    """A banner above the list: a site, and the test that is going on there."""

    site: str
    name: str
    says: str


@dataclass(frozen=True, slots=True)
class Fleet:
    """All sites, those that need somebody first.

    groups : those that site files name; group : the one that is shown, "" for all
    """

    lines: tuple[FleetLine, ...]
    counts: tuple[FleetCount, ...]
    shown: str
    query: str
    show: str
    group: str
    groups: tuple[str, ...]
    total: int
    made_ms: int
    page: int = 1
    pages: int = 1
    warnings: tuple[str, ...] = ()
    choices: tuple[tuple[str, str], ...] = field(default=())
    banners: tuple[FleetBanner, ...] = ()
