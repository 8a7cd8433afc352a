"""Times in requests: RFC 3339 with an offset, within the years that can be calculated with."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from pydantic import AfterValidator, AwareDatetime

FIRST, LAST = datetime(1970, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)


def _within(moment: datetime) -> datetime:
    if not FIRST <= moment < LAST:
        raise ValueError(f"a time from {FIRST.year} to {LAST.year - 1} is asked for")
    return moment


Moment = Annotated[AwareDatetime, AfterValidator(_within)]
"""A time in a request; anything else is answered with 422."""
