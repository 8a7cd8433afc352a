"""Times as forms give them, and their time zone."""

from __future__ import annotations

from datetime import date, datetime

from forecaster.domain.errors import UsageError
from forecaster.domain.site import Site
from forecaster.texts.catalogue import Said, Words
from forecaster.texts.wording import Wording

YEARS = (1971, 2199)
"""The years that may be asked for; later and earlier ones cannot be calculated in every time zone."""


def asked_day(text: str) -> date:
    """A day from a form, 2026-03-03. UsageError."""
    try:
        day = datetime.fromisoformat(text).date()
    except ValueError as error:
        raise UsageError(Said("usage.is_not_a_day", until=text), Said("usage.write_it_as_2026_03_03")) from error
    if not YEARS[0] <= day.year <= YEARS[1]:
        raise UsageError(
            Said("usage.there_is_nothing_of_the_year", year=day.year), Said("usage.write_a_day_of_this_time")
        )
    return day


def moment(site: Site, text: str) -> int:
    """A time from a form, in the site's zone unless it names an offset. In a repeated hour the first one is meant."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(Said("usage.is_not_a_time", text=text), Said("usage.write_it_as_2026_03_03t14")) from error
    if at.tzinfo is None:
        at = at.replace(tzinfo=Wording.of(site).zone)
    return round(at.timestamp() * 1000)


def zone_words(at_ms: int, wording: Wording, words: Words) -> str:
    """The abbreviation of a site's zone at a moment: `CST`, or `UTC+05:45` where the zone has none."""
    name = wording.local(at_ms).tzname() or ""
    if name[:1] not in ("+", "-"):
        return name
    return words("now.zone_offset", offset=name if len(name) == 3 else f"{name[:3]}:{name[3:]}")
