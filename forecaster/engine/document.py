"""The forecast document: a forecast as the JSON that people script against, and back.

Quantiles beyond the horizon and values not known are null, never NaN. Hours are given to a hundredth,
percents and watts to a tenth, so that a document read back and written again is the same document.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from enum import Enum
from typing import Any

import numpy as np

from forecaster.domain.errors import UsageError
from forecaster.domain.forecast import Forecast
from forecaster.domain.members import Member, members
from forecaster.domain.times import HOUR_MS
from forecaster.texts.catalogue import Said, words

DEGRADED = "degraded."
"""Section of the catalogue whose keys are the reason codes."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def time_text(at_ms: int) -> str:
    """UTC milliseconds as RFC 3339 with Z; the fraction is written only where there is one."""
    moment = _EPOCH + timedelta(milliseconds=at_ms)
    return moment.isoformat(timespec="milliseconds" if at_ms % 1000 else "seconds").replace("+00:00", "Z")


def time_texts(at_ms: Sequence[int]) -> list[str]:
    """Many times at once, each as `time_text` writes it."""
    written = np.datetime_as_string(np.asarray(at_ms, dtype="datetime64[ms]"), unit="ms").tolist()
    return [f"{text.removesuffix('.000')}Z" for text in written]


def time_ms(text: str) -> int:
    """RFC 3339 as UTC milliseconds. UsageError where it is not a time with an offset."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(Said("usage.is_not_a_time", text=text), Said("usage.write_rfc_3339_such_as_2026")) from error
    if moment.tzinfo is None:
        raise UsageError(Said("usage.does_not_say_which_offset_from", text=text), Said("usage.end_it_in_z_or_in"))
    return round((moment - _EPOCH) / timedelta(milliseconds=1))


def _number(value: float | None, digits: int) -> float | None:
    """A rounded finite number, or None; minus zero becomes zero."""
    if value is None or not math.isfinite(value):
        return None
    return round(value, digits) + 0.0


def _moment(issued_ms: int, hours: float | None) -> str | None:
    """The time that lies `hours` after the issue, to the second."""
    if hours is None or not math.isfinite(hours):
        return None
    return time_text(round((issued_ms + round(hours, 2) * HOUR_MS) / 1000.0) * 1000)


def until_document(forecast: Forecast, at_ms: int) -> dict[str, Any]:
    """The chance that the pack is above its floor until a time, as the document's `until`."""
    return {"at": time_text(at_ms), "probability": _number(forecast.chance_until(at_ms), 4)}


def document(forecast: Forecast) -> dict[str, Any]:
    """The forecast as a JSON-ready dictionary: str, int, float, list, dict and None only, every float finite.

    Its members are those of `Forecast`. `until` is null: `until_document` fills it in where somebody asks for a time.
    """
    found: dict[str, Any] = {}
    for member, write in _writers(type(forecast)):
        found[member.key] = write(getattr(forecast, member.attribute))
        for name in member.then:
            found[name] = WORKED_OUT[name](forecast)
    return found


Convert = Callable[[Any], Any]

_WRITERS: dict[type, tuple[tuple[Member, Convert], ...]] = {}


def _writers(cls: type) -> tuple[tuple[Member, Convert], ...]:
    """The members of a class, and what makes each one's value that of the document; made once a class."""
    if cls not in _WRITERS:
        _WRITERS[cls] = tuple((member, _writer(member)) for member in members(cls))
    return _WRITERS[cls]


def _writer(member: Member) -> Convert:
    """What makes a member's value that of the document; None stays None."""
    if member.many:
        return _table_writer(member.type) if member.part else lambda values: [str(one) for one in values]
    if member.digits is not None:
        digits = member.digits
        return lambda value: _number(value, digits)
    if member.part:
        write: Convert = _part_writer(member.type)
    elif member.moment:
        write = time_text
    elif issubclass(member.type, Enum):
        return lambda value: value.value
    else:
        return lambda value: value
    return lambda value: None if value is None else write(value)


def _part_writer(cls: type) -> Convert:
    columns = [(member.key, member.attribute, write) for member, write in _writers(cls)]
    return lambda part: {key: write(getattr(part, attribute)) for key, attribute, write in columns}


def _table_writer(cls: type) -> Convert:
    """Writes many parts of one kind column by column, because their times are faster written together."""
    parts = _writers(cls)

    def write_all(rows: Sequence[Any]) -> list[dict[str, Any]]:
        columns = []
        for part, write in parts:
            column = [getattr(row, part.attribute) for row in rows]
            columns.append(_column(part, write, column))
        keys = [part.key for part, _ in parts]
        return [dict(zip(keys, row, strict=True)) for row in zip(*columns, strict=True)]

    return write_all


def _column(member: Member, write: Convert, values: Sequence[Any]) -> Iterable[Any]:
    """The values of one member in many parts as the document has them."""
    if member.moment and not member.optional:
        return time_texts(values)
    digits = member.digits
    if digits is None or member.optional or not all(map(math.isfinite, values)):
        return map(write, values)
    return [round(value, digits) + 0.0 for value in values]


def _reserve_at(forecast: Forecast) -> dict[str, str | None]:
    hours, issued_ms = forecast.hours_remaining, forecast.issued_at_ms
    return {name: _moment(issued_ms, getattr(hours, name)) for name in ("p10", "p50", "p90")}


WORKED_OUT: Mapping[str, Callable[[Forecast], Any]] = {
    "reserve_at": _reserve_at,
    "degraded_codes": lambda forecast: [reason_code(reason) for reason in forecast.degraded],
    "until": lambda _: None,
}
"""Members of the document that the forecast itself does not hold."""


def from_document(value: Mapping[str, Any]) -> Forecast:
    """A forecast from its document; what was rounded away stays away. UsageError names what is missing or wrong.

    Members that later versions added may be absent: they are taken as not known.
    """
    try:
        held = {
            member.attribute: read(value[member.key])
            for member, read in _readers(Forecast)
            if not member.later or member.key in value
        }
        return Forecast(**{**held, "degraded": tuple(reasons(value))})
    except KeyError as error:
        raise UsageError(
            Said("usage.the_forecast_document_lacks", error=str(error)), Said("usage.give_a_whole_document")
        ) from error
    except (TypeError, ValueError, AttributeError) as error:
        raise UsageError(
            Said("usage.the_forecast_document_has_a_wrong", error=str(error)),
            Said("usage.give_a_document_as_published"),
        ) from error


_READERS: dict[type, tuple[tuple[Member, Convert], ...]] = {}


def _readers(cls: type) -> tuple[tuple[Member, Convert], ...]:
    """The members of a class, and what makes each one's value that of the dataclass; made once a class."""
    if cls not in _READERS:
        _READERS[cls] = tuple((member, _reader(member)) for member in members(cls))
    return _READERS[cls]


def _reader(member: Member) -> Convert:
    """What reads a member's value; it raises TypeError, ValueError or AttributeError where it is no such value."""
    if member.part:
        read: Convert = _part_reader(member.type)
    elif member.moment:
        read = time_ms
    elif issubclass(member.type, Enum):
        read = member.type
    else:
        return tuple if member.many else lambda value: value
    if member.many:
        return lambda values: tuple(map(read, values))
    return (lambda value: None if value is None else read(value)) if member.optional else read


def _part_reader(cls: type) -> Convert:
    """Reads a part of a forecast; a name that it has no member for is a wrong value."""
    known = {member.key: (member.attribute, read) for member, read in _readers(cls)}

    def read_part(value: Mapping[str, Any]) -> Any:
        if not known.keys() >= value.keys():
            raise TypeError(f"{min(value.keys() - known.keys())!r} is not known")
        held = {}
        for key, one in value.items():
            attribute, read = known[key]
            held[attribute] = read(one)
        return cls(**held)

    return read_part


def reason_code(reason: str) -> dict[str, Any] | None:
    """A degraded reason as its code and what is filled in; None for one without a code."""
    if not isinstance(reason, Said):
        return None
    return {"code": reason.key.removeprefix(DEGRADED), **{name: str(x) for name, x in reason.values.items()}}


def reasons(value: Mapping[str, Any]) -> Iterator[str]:
    """The degraded reasons of a document, able to be said in any language where it carries their codes."""
    codes = value.get("degraded_codes") or [None] * len(value["degraded"])
    for text, code in zip(value["degraded"], codes, strict=True):
        key = "" if code is None else f"{DEGRADED}{code['code']}"
        if code is not None and key in words():
            yield Said(key, **{name: x for name, x in code.items() if name != "code"})
        else:
            yield text
