"""A letter that is no alarm: what a message carries in place of one."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LetterSection:
    """A heading, "" for none, and the lines under it."""

    heading: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LetterHouse:
    """A house that a letter is about: its id and its name."""

    site: str
    name: str


@dataclass(frozen=True, slots=True)
class Letter:
    """Subject, first sentence, sections and last sentence, in the words of its reader.

    houses : tuple[LetterHouse, ...] — the houses that it is about, in the order in which it tells of them
    """

    subject: str
    opening: str
    sections: tuple[LetterSection, ...]
    closing: str
    houses: tuple[LetterHouse, ...] = ()
