"""What was worded once, and is kept as it was told, in the clock and the units that its reader asked for."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from functools import cache

from forecaster.domain.site import Units
from forecaster.texts.catalogue import Words, of_twelve, words

CLOCK = r"(?<![\d:.+-])(?P<hour>[01]\d|2[0-3]):(?P<minute>[0-5]\d)(?![\d:])"
TEMPERATURES: dict[Units, tuple[str, Callable[[float], float]]] = {
    Units.US: ("celsius", lambda degrees_c: degrees_c * 9.0 / 5.0 + 32.0),
    Units.METRIC: ("fahrenheit", lambda degrees_f: (degrees_f - 32.0) * 5.0 / 9.0),
}
"""What is said anew for a reader of each system: the text of the catalogue that said it, and its value in theirs."""


def reread(text: str, words: Words) -> str:
    """A kept text of an alarm, in 24 hours and the house's units, as its reader reads times and temperatures.

    words : Words — the language that the text is in, with what the reader asked for
    """
    if words.half_days:
        text = words.contracted(_clocks(words.code).sub(lambda found: _in_half_days(found, words), text))
    if words.units is not None:
        said, turned = TEMPERATURES[words.units]
        pattern = _figures(words.code, said)
        text = pattern.sub(lambda found: _in_units(found, words, turned), text)
    return text


@cache
def _clocks(code: str) -> re.Pattern[str]:
    """Times of day of a language, with the word before them that depends on the hour, such as Spanish `las`."""
    before = sorted({lead for lead in _leads(words(code)) if lead}, key=len, reverse=True)
    lead = rf"\b(?:{'|'.join(map(re.escape, before))})" if before else "(?!)"
    return re.compile(f"(?P<lead>{lead})?{CLOCK}")


def _leads(said_in: Words) -> Iterator[str]:
    for hour in (1, 2):
        yield said_in("wording.when", n=hour, clock="\0").partition("\0")[0]


def _in_half_days(found: re.Match[str], words: Words) -> str:
    hour, minute = int(found["hour"]), int(found["minute"])
    clock = words.clock(hour, minute)
    return words("wording.when", n=of_twelve(hour), clock=clock) if found["lead"] else clock


@cache
def _figures(code: str, key: str) -> re.Pattern[str]:
    """A whole number in a unit, as a language writes it."""
    figure = re.escape(words(code)(f"wording.{key}", n="\0")).replace(re.escape("\0"), r"(?P<figure>-?\d+)")
    return re.compile(rf"(?<![\d.,-]){figure}")


def _in_units(found: re.Match[str], words: Words, turned: Callable[[float], float]) -> str:
    key = "fahrenheit" if words.units is Units.US else "celsius"
    return words(f"wording.{key}", n=words.number(turned(float(found["figure"])), 0))
