"""What is said of a name or a line that nobody could read as it stands."""

from __future__ import annotations

import unicodedata

from forecaster.domain.errors import UsageError
from forecaster.domain.names import hidden
from forecaster.texts.catalogue import Said


def unreadable(text: str) -> tuple[Said, Said] | None:
    """What is wrong with a line that holds a sign that nobody sees, and how to mend it; None where nothing is."""
    sign = hidden(text)
    if sign is None:
        return None
    called = f"U+{ord(sign):04X} {unicodedata.name(sign, '')}".rstrip()
    return Said("config.it_holds_what_nobody_sees", sign=called), Said("config.type_it_anew")


def readable_line(text: str) -> str:
    """A line that somebody gives, as it is. UsageError where it holds what nobody sees."""
    wrong = unreadable(text)
    if wrong is not None:
        raise UsageError(*wrong)
    return text
