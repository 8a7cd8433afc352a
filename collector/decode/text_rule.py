"""Extracts a value from a text as the channel declares: a group of a pattern, a column, a decimal comma."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import regex

from collector.decode.values import LONGEST, shown
from forecaster.domain.errors import PayloadError
from forecaster.domain.site import Channel
from forecaster.texts.catalogue import words

LONGEST_TEXT = 4096
"""Most characters in which a pattern or a column is looked for."""

PATTERN_S = 0.2
"""Processor time that a pattern may take with one text [s]; an ordinary one takes some microseconds."""

TRIES = 3
"""Texts with which a pattern may take longer, before it is not tried any more."""

COMMA_NUMBER = re.compile(r"[+-]?(?:\d+(?:,\d*)?|,\d+)(?:[eE][+-]?\d{1,4})?", re.ASCII)
NAIVE = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d(?::\d\d(?:\.\d{1,6})?)?)", re.ASCII)


def rule_of(channel: Channel) -> TextRule | None:
    """The rule that a channel declares; None where values are read as they are."""
    if channel.pattern is None and channel.column is None and channel.decimal == ".":
        return None
    return TextRule(channel)


class TextRule:
    """Extracts a number, or a word for yes or no, from a text. Nothing is guessed: what does not fit is refused."""

    def __init__(self, channel: Channel) -> None:
        self.pattern = None if channel.pattern is None else regex.compile(channel.pattern)
        self.too_long = 0
        self.column, self.separator = channel.column, separator_of(channel)
        self.comma = channel.decimal == ","
        self.within = self.pattern is not None or self.column is not None

    def read(self, value: Any) -> Any:
        """The part of a value that is meant. A value that is not a text passes where only the comma is declared."""
        if type(value) is not str:
            if self.within:
                raise PayloadError(words()("payload.is_not_a_text_remove_pattern", value=shown(value)))
            return value
        text = value
        if self.within and len(text) > LONGEST_TEXT:
            raise PayloadError(
                words()("payload.the_text_has_characters_a_pattern", count=len(text), longest_text=LONGEST_TEXT)
            )
        if self.column is not None:
            text = self._cell(text)
        if self.pattern is not None:
            with self._bounded():
                found = self.pattern.search(text, timeout=PATTERN_S)
            if found is None or found.group(1) is None:
                raise PayloadError(words()("payload.the_pattern_does_not_fit", text=shown(text)))
            text = found.group(1)
        return self._pointed(text.strip()) if self.comma else text

    @contextmanager
    def _bounded(self) -> Iterator[None]:
        """Refuse a text that takes a pattern too long: with some the time doubles with every letter."""
        if self.too_long >= TRIES:
            raise PayloadError(words()("payload.the_pattern_is_not_tried", tries=TRIES))
        try:
            yield
        except TimeoutError as error:
            self.too_long += 1
            raise PayloadError(words()("payload.the_pattern_took_too_long", seconds=PATTERN_S)) from error

    def _cell(self, text: str) -> str:
        assert self.column is not None
        try:
            cells = next(csv.reader([text], delimiter=self.separator, strict=True), [])
        except csv.Error as error:
            raise PayloadError(
                words()("payload.is_not_a_row_of_columns", text=shown(text), error=str(error))
            ) from error
        if len(cells) < self.column:
            raise PayloadError(
                words()(
                    "payload.has_columns_and_column_is_asked", text=shown(text), count=len(cells), column=self.column
                )
            )
        return cells[self.column - 1]

    def _pointed(self, text: str) -> str:
        if len(text) > LONGEST or not COMMA_NUMBER.fullmatch(text):
            raise PayloadError(words()("payload.is_not_a_number_with_a", text=shown(text)))
        return text.replace(",", ".")


def separator_of(channel: Channel) -> str:
    """The column separator: as declared, else a comma, or a semicolon beside a decimal comma."""
    if channel.separator is not None:
        return channel.separator
    return ";" if channel.decimal == "," else ","


def site_time_ms(value: Any, zone: ZoneInfo, arrived_ms: int) -> int | None:
    """A local time without an offset as UTC milliseconds; None for anything that is not one.

    In the repeated hour of the clock change, the time nearer to the arrival is meant.
    """
    match = NAIVE.fullmatch(value.strip()) if type(value) is str else None
    if match is None:
        return None
    try:
        local = datetime.fromisoformat(f"{match.group(1)}T{match.group(2)}")
        both = [local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)]
    except (ValueError, OverflowError) as error:
        raise PayloadError(words()("payload.is_not_a_time", value=shown(value), error=str(error))) from error
    found = [round(moment.timestamp() * 1000) for moment in both]
    return min(found, key=lambda at_ms: abs(arrived_ms - at_ms))
