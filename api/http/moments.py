"""Times in requests: RFC 3339 with an offset, within the years that can be calculated with."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from fastapi import Query
from pydantic import AfterValidator, AwareDatetime

from forecaster.texts.catalogue import Said

FIRST, LAST = datetime(1970, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)


def _within(moment: datetime) -> datetime:
    if not FIRST <= moment < LAST:
        raise ValueError(Said("usage.a_time_from_to_is_asked", year=FIRST.year, value=LAST.year - 1))
    return moment


Moment = Annotated[AwareDatetime, AfterValidator(_within)]
"""A time in a request; anything else is answered with 422."""

Since = Annotated[Moment | None, Query(alias="from", description="Only from this time on, RFC 3339.")]
Before = Annotated[Moment | None, Query(alias="to", description="Only before this time, RFC 3339.")]
"""Both together are [from, to); a list without them is told whole."""


def epoch_ms(moment: Moment | None) -> int | None:
    """A time in a query as UTC milliseconds."""
    return None if moment is None else int(moment.timestamp() * 1000)
