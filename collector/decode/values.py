"""Single values: strict numbers, words for yes and no, and source times."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from collector.config.site_file import word_token
from forecaster.domain.errors import PayloadError
from forecaster.texts.catalogue import words

NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,4})?", re.ASCII)
DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)
RFC_3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:(\d\d)(?:\.\d+)?(?:[Zz]|[+-]\d\d:?\d\d)", re.ASCII)
UNIT_IN_TEXT = re.compile(r"([+-]?\d+(?:[.,]\d+)?) ?([A-Za-z%°][A-Za-z%°/³²]{0,7})")
LONGEST = 64
"""Most characters of a number or a word."""

YES: tuple[str | int | bool, ...] = ("true", "on", "yes", 1)
NO: tuple[str | int | bool, ...] = ("false", "off", "no", 0)

EARLIEST_MS = 946_684_800_000
"""2000-01-01, the earliest source time that is believed [UTC milliseconds]."""


def shown(value: object) -> str:
    """A value as quoted in a reason: short, on one line."""
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def number(value: Any) -> float:
    """A JSON value as a number. PayloadError unless it is a number, or text that is exactly one.

    Refused are yes/no, null, words, thousands separators, decimal commas, hexadecimal, and what is not finite.
    """
    kind = type(value)
    if kind is float:
        return float(value)
    if kind is int:
        try:
            return float(value)
        except OverflowError as error:
            raise PayloadError(words()("payload.a_number_is_out_of_range_2")) from error
    if kind is str:
        return number_in_text(value)
    if value is None:
        raise PayloadError(words()("payload.the_value_is_null_nothing_was"))
    if kind is bool:
        raise PayloadError(words()("payload.the_value_is_not_a_number_2", value="true" if value else "false"))
    key = "payload.an_object_is_no_number" if kind is dict else "payload.an_array_is_no_number"
    raise PayloadError(words()(key))


def number_in_text(text: str) -> float:
    """A text as a number; PayloadError unless it is exactly one."""
    text = text.strip(" \t\r\n")
    if not text:
        raise PayloadError(words()("payload.the_value_is_empty"))
    if len(text) <= LONGEST and NUMBER.fullmatch(text):
        value = float(text)
        if value - value == 0.0:
            return value
        raise PayloadError(words()("payload.is_out_of_range", text=shown(text)))
    if DECIMAL_COMMA.fullmatch(text):
        raise PayloadError(words()("payload.has_a_decimal_comma_have_the", text=shown(text)))
    raise PayloadError(words()("payload.is_not_a_number", text=shown(text), with_unit=_with_unit(text)))


def _with_unit(text: str) -> str:
    """A hint where a number has its unit in the text; "" for any other text."""
    found = UNIT_IN_TEXT.fullmatch(text) if len(text) <= LONGEST else None
    if found is None:
        return ""
    comma = words()("payload.and_decimal") if "," in found.group(1) else ""
    return words()("payload.its_unit_is_in_the_text", group=found.group(2), comma=comma)


class YesNo:
    """The words of one channel for yes and no; anything else is refused, never taken as no."""

    def __init__(
        self,
        true_words: Sequence[str | int | float | bool] | None,
        false_words: Sequence[str | int | float | bool] | None,
    ) -> None:
        yes = [word_token(w) for w in (YES if true_words is None else true_words)]
        no = [word_token(w) for w in (NO if false_words is None else false_words)]
        if true_words is None:
            yes = [w for w in yes if w not in no]
        if false_words is None:
            no = [w for w in no if w not in yes]
        self._meaning = dict.fromkeys(yes, 1.0) | dict.fromkeys(no, 0.0)

    def read(self, value: Any) -> float:
        """1.0 or 0.0; PayloadError for a word in neither list."""
        if value is None:
            raise PayloadError(words()("payload.the_value_is_null_nothing_was"))
        if isinstance(value, dict | list):
            raise PayloadError(words()("payload.the_value_is_an_object_or"))
        try:
            found = self._meaning.get(word_token(value))
        except (OverflowError, ValueError) as error:
            raise PayloadError(words()("payload.a_number_is_out_of_range_2")) from error
        if found is None:
            known = ", ".join(self._meaning)
            raise PayloadError(words()("payload.is_neither_yes_nor_no_here", value=shown(value), known=known))
        return found


def source_time_ms(value: Any) -> int:
    """A source time as UTC milliseconds: RFC 3339 with an offset, or epoch s, ms or us told by magnitude.

    PayloadError for anything else. The caller decides whether the time is believable.
    """
    kind = type(value)
    if kind is str:
        return _time_in_text(value)
    if kind is int or kind is float:
        return _epoch_ms(value)
    raise PayloadError(words()("payload.is_not_a_time_2", value=shown(value)))


def _epoch_ms(value: float) -> int:
    if not abs(value) < 1e17:
        raise PayloadError(words()("payload.is_not_a_time_2", value=shown(value)))
    if abs(value) < 1e11:
        return int(value * 1000) if type(value) is int else round(value * 1000)
    return int(value) if abs(value) < 1e14 else int(value // 1000)


def _time_in_text(text: str) -> int:
    if text[-1:] == "Z" and text[7:8] == "-" and text[10:11] == "T" and text[13:14] == text[16:17] == ":":
        size = len(text)
        if size == 20 or (21 < size < 28 and text[19] == "."):
            try:
                moment = datetime.fromisoformat(text)
            except ValueError:
                pass  # told in full below
            else:
                return int(moment.timestamp() // 1) * 1000 + moment.microsecond // 1000
    return _any_time_in_text(text.strip())


def _any_time_in_text(text: str) -> int:
    match = RFC_3339.fullmatch(text)
    if match is None:
        if len(text) <= LONGEST and NUMBER.fullmatch(text):
            return _epoch_ms(int(text) if text.isdecimal() else float(text))
        hint = words()("payload.without_an_offset_it_could_be") if re.match(r"\d{4}-\d\d-\d\d", text) else ""
        raise PayloadError(words()("payload.is_not_an_rfc_3339_time", text=shown(text), hint=hint))
    leap = match.group(1) == "60"  # RFC 3339 5.7 allows it; it is the first moment of the next minute
    if leap:
        text = text[:17] + "59" + text[19:]
    try:
        moment = datetime.fromisoformat(text.upper())
        return int(moment.timestamp() // 1) * 1000 + (1000 if leap else moment.microsecond // 1000)
    except (ValueError, OverflowError) as error:
        raise PayloadError(words()("payload.is_not_a_time_3", text=shown(text), error=str(error))) from error
