"""Times as forms give them, and their time zone."""

from __future__ import annotations

from datetime import datetime

from forecaster.domain.errors import UsageError
from forecaster.domain.site import Site
from forecaster.texts.catalogue import Said, Words
from forecaster.texts.wording import Wording


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
