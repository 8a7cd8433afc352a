"""Moments as forms give them."""

from __future__ import annotations

from datetime import datetime

from forecaster.domain.errors import UsageError
from forecaster.domain.site import Site
from forecaster.wording import Wording


def moment(site: Site, text: str) -> int:
    """A moment as a form gives it, in the site's zone unless it names its own; the first of a doubled hour."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"{text!r} is not a time", "write it as 2026-03-03T14:00") from error
    if at.tzinfo is None:
        at = at.replace(tzinfo=Wording.of(site).zone)
    return round(at.timestamp() * 1000)
