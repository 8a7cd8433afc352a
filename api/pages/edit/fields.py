"""Which keys of a site file the forms show, part by part. A field's name in a form is its key in the file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from api.pages.formunits import LABELS
from api.pages.siteform import PLATES
from forecaster.alarms import TABLE
from forecaster.domain.alarms import AlarmKind, Priority
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Arrangement, Driven, PayloadFormat, Units, WeeklyLetter
from forecaster.texts.catalogue import languages


class FieldKind(StrEnum):
    """How a value is written in a form."""

    TEXT = "text"
    NUMBER = "number"
    RANGE = "range"  # one number, or the two ends of a range
    WORDS = "words"  # several texts with commas between
    MARKS = "marks"  # several words, numbers, true or false, with commas between
    CHOICE = "choice"
    YES = "yes"  # a box, true where it is ticked
    KINDS = "kinds"  # several of a list, each with a box of its own
    SECRET = "secret"  # never shown
    LONG = "long"  # a text of several lines
    ROWS = "rows"  # the rows of a rain table, one a line
    DAY = "day"  # a date, year-month-day


@dataclass(frozen=True, slots=True)
class EditField:
    """A key of a section.

    label : str — the key of its name in the catalogue
    unit : str — of a number, in pint's spelling; shown_unit : str — the unit as it is shown
    choices : the values to choose from
    said : str — the stem of their names in the catalogue, LANGUAGE or OWN; "": each value is its own name
    rest : bool — whether it is among those that are seldom needed
    usual : str — the value that holds where the file has none
    """

    key: str
    kind: FieldKind
    label: str
    unit: str = ""
    shown_unit: str = ""
    choices: tuple[str, ...] = ()
    said: str = ""
    rest: bool = False
    usual: str = ""


@dataclass(frozen=True, slots=True)
class EditTable:
    """The fields of a section, or of each element of a list section.

    name : str — of the section; "" for the keys before the first section
    listed : bool — whether it is a list; blanks : int — empty elements shown after those of the list
    ordered : bool — whether the form asks for the place of an element in the list
    beside : str — the list that it is shown with, where that has any element; "": it is always shown
    """

    name: str
    fields: tuple[EditField, ...]
    listed: bool = False
    blanks: int = 0
    ordered: bool = False
    beside: str = ""


LONGEST_NAME = 64
"""Longest name of a person or a site that a form takes [characters]."""

K = FieldKind
LANGUAGE, OWN = "language", "own"
"""In place of a stem: LANGUAGE for languages, each named in itself, OWN for `edit.choice.<key of the field>`."""


def _of(
    table: str, key: str, kind: FieldKind = K.TEXT, unit: str = "", *,
    choices: tuple[str, ...] = (), said: str = "", rest: bool = False,
) -> EditField:  # fmt: skip
    label = f"edit.field.{table}.{key}"
    return EditField(key, kind, label, unit, LABELS.get(unit, unit), choices, said, rest)


def _plates(section: str) -> EditTable:
    fields = []
    for plate in PLATES:
        if plate.section != section:
            continue
        kind = K.CHOICE if plate.choices else K.TEXT if plate.unit == "text" else K.NUMBER
        kind = K.RANGE if plate.key == "rated_current_a" else kind
        shown = LABELS.get(plate.unit, plate.unit)
        label = f"plate.{plate.name}"
        fields.append(
            EditField(plate.key, kind, label, plate.unit, shown, plate.choices, "plate.choice.", not plate.first)
        )
    return EditTable(section, tuple(fields))


HOUSE = EditTable("", (
    _of("house", "name"), _of("house", "timezone"),
    _of("house", "units", K.CHOICE, choices=tuple(Units), said="setup."),
    _of("house", "language", K.CHOICE, choices=languages(), said=LANGUAGE),
    _of("house", "groups", K.WORDS), _of("house", "latitude", K.NUMBER), _of("house", "longitude", K.NUMBER),
))  # fmt: skip

WEATHER = EditTable("weather", (
    _of("weather", "url", rest=True), _of("weather", "time", rest=True), _of("weather", "rain", rest=True),
    _of("weather", "unit", rest=True), _of("weather", "every_s", K.NUMBER, "s", rest=True),
))  # fmt: skip

RAIN_TABLE = EditTable("rain_table", (
    _of("rain_table", "unit", K.CHOICE, choices=("mm", "inch"), rest=True),
    _of("rain_table", "years", K.MARKS, rest=True), _of("rain_table", "rows", K.ROWS, rest=True),
))  # fmt: skip

LOADS = EditTable("loads", (
    _of("loads", "name"), _of("loads", "watts", K.NUMBER, "W"), _of("loads", "essential", K.YES),
    _of("loads", "runs_per_hour", K.NUMBER, rest=True), _of("loads", "run_s", K.NUMBER, "s", rest=True),
    _of("loads", "start_va", K.NUMBER, "VA", rest=True),
), listed=True, blanks=2)  # fmt: skip

CHANNELS = EditTable("channels", (
    _of("channels", "quantity", K.CHOICE, choices=tuple(Quantity), said="quantity."),
    _of("channels", "topic"), _of("channels", "value"), _of("channels", "unit"),
    _of("channels", "of"), _of("channels", "max_silence_s", K.NUMBER, "s"),
    _of("channels", "time", rest=True),
    _of("channels", "format", K.CHOICE, choices=tuple(PayloadFormat), rest=True),
    _of("channels", "true", K.MARKS, rest=True), _of("channels", "false", K.MARKS, rest=True),
    _of("channels", "pattern", rest=True), _of("channels", "column", K.NUMBER, rest=True),
    _of("channels", "separator", rest=True), _of("channels", "decimal", K.CHOICE, choices=(".", ","), rest=True),
    _of("channels", "naive_time", K.CHOICE, choices=("site",), said=OWN, rest=True),
), listed=True, blanks=1)  # fmt: skip

CONTACTS = EditTable("contacts", (
    _of("contacts", "name"), _of("contacts", "email"), _of("contacts", "phone"),
    _of("contacts", "minimum_priority", K.CHOICE, choices=tuple(Priority), said="alarms.priority."),
    _of("contacts", "quiet_hours"), _of("contacts", "after_min", K.NUMBER, "min"),
    _of("contacts", "hours_to_reach", K.NUMBER, "h"),
    _of("contacts", "language", K.CHOICE, choices=languages(), said=LANGUAGE),
    _of("contacts", "weekly_letter", K.CHOICE, choices=tuple(WeeklyLetter), said=OWN),
    _of("contacts", "webhook", rest=True), _of("contacts", "webhook_secret", K.SECRET, rest=True),
    _of("contacts", "webhook_transitions", K.CHOICE, choices=("told", "all"), said=OWN, rest=True),
    _of("contacts", "webhook_format", rest=True), _of("contacts", "webhook_template", K.LONG, rest=True),
    _of("contacts", "webhook_content_type", rest=True),
), listed=True, blanks=1, ordered=True)  # fmt: skip

PUMPS = EditTable("pumps", (
    _of("pumps", "id"), *_plates("pump").fields, _of("pumps", "starts_above_m", K.NUMBER, "m"),
    _of("pumps", "driven_by", K.CHOICE, choices=tuple(Driven), said=OWN, rest=True),
    _of("pumps", "supply_l_per_l", K.NUMBER, rest=True),
), listed=True)  # fmt: skip

PACKS = EditTable("packs", (
    _of("packs", "id"), _of("packs", "pump", rest=True), _of("packs", "loads", K.WORDS, rest=True),
    *_plates("pack").fields,
), listed=True)  # fmt: skip

CARRYING = EditTable(
    "", (_of("packs", "pack_arrangement", K.CHOICE, choices=tuple(Arrangement), said=OWN),), beside="packs"
)

RESERVES = {"low_reserve_h": AlarmKind.LOW_RESERVE, "critical_reserve_h": AlarmKind.CRITICAL_RESERVE}
"""Keys of [alarms] that give the limits of the reserve, and the kinds that they are of."""

ALARMS = EditTable("alarms", (
    *(
        EditField(key, K.NUMBER, f"edit.field.alarms.{key}", "h", "h", usual=f"{TABLE[kind].limit:g}")
        for key, kind in RESERVES.items()
    ),
    _of("alarms", "off", K.KINDS, choices=tuple(TABLE), said="alarms.kind.", rest=True),
))  # fmt: skip

LIMIT_UNITS = {
    AlarmKind.PUMP_OVERRUN: "run", AlarmKind.RAPID_CYCLING: "rate", AlarmKind.PUMP_SILENT: "share",
    AlarmKind.TEST_DUE: "days", AlarmKind.PACK_TEMPERATURE: "°C",
}  # fmt: skip
"""Units of limits that are shown otherwise than in the table of alarms; a word is a key of `edit.limit_unit`."""

LIMITS = EditTable("alarms.limits", tuple(
    EditField(kind, K.NUMBER, f"alarms.kind.{kind}", "", LIMIT_UNITS.get(kind, row.unit), usual=f"{row.limit:g}")
    for kind, row in TABLE.items() if row.limit is not None and kind not in RESERVES.values()
))  # fmt: skip

AWAY = EditTable("away", (
    _of("away", "from", K.DAY), _of("away", "until", K.DAY), _of("away", "look_after", K.WORDS),
))  # fmt: skip

PAUSE = EditTable("pause", (_of("pause", "until", K.DAY),))

PARTS: Mapping[str, tuple[EditTable, ...]] = {
    "house": (HOUSE, WEATHER, RAIN_TABLE),
    "plates": (_plates("pump"), PUMPS, _plates("pit"), _plates("pack"), CARRYING, PACKS),
    "loads": (LOADS,),
    "channels": (CHANNELS,),
    "contacts": (CONTACTS,),
    "limits": (ALARMS, LIMITS),
    "away": (AWAY,),
    "pause": (PAUSE,),
}
"""The parts of a site file, each with a form of its own."""
