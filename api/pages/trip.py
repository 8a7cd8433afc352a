"""The page of a trip: two dates, and the answer; it needs no script."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request, Response

from api.http.dependencies import SiteIn
from api.pages.guard import CallerIn, PageRoute, PortsIn
from api.pages.moments import asked_day
from api.pages.render import page
from api.pages.speech import WordsIn
from forecaster.texts.catalogue import Words
from forecaster.trip.answering import (
    TripAnswer,
    answer_trip,
    cause_text,
    help_text,
    percent_text,
    shares_out,
    whole_days_ms,
)  # fmt: skip

router = APIRouter(route_class=PageRoute, include_in_schema=False)

USUAL_DAYS = 7
"""The trip that the form begins with [days]."""

Day = Annotated[str, Query(max_length=40)]


@dataclass(frozen=True, slots=True)
class TripShown:
    """The answer in a reader's language. causes, helps : a chance or share and its words"""

    says: str
    causes: tuple[tuple[str, str], ...]
    helps: tuple[tuple[str, str, str], ...]
    rests_on: tuple[str, ...]
    cautions: tuple[str, ...]


@router.get("/sites/{site}/trip")
def trip(
    request: Request, site: SiteIn, ports: PortsIn, words: WordsIn, caller: CallerIn, leave: Day = "", back: Day = ""
) -> Response:
    """The form, and the answer where both days are given: from the morning of the one to the end of the other."""
    now_ms = ports.clock.now_ms()
    today = datetime.fromtimestamp(now_ms / 1000.0, ZoneInfo(site.timezone)).date()
    shown = None
    if leave and back:
        found = answer_trip(site, ports.ledger, now_ms, *whole_days_ms(site, asked_day(leave), asked_day(back)))
        shown = trip_shown(found, words)
    return page(
        request, "trip.html", caller, site_id=site.id, name=site.name, shown=shown, today=today.isoformat(),
        leave=leave or (today + timedelta(days=1)).isoformat(),
        back=back or (today + timedelta(days=1 + USUAL_DAYS)).isoformat(),
    )  # fmt: skip


def trip_shown(found: TripAnswer, words: Words) -> TripShown:
    """The answer in words."""
    again = words.again
    return TripShown(
        says=again(found.says),
        causes=tuple(
            (words.signs(f"{share:.0%}"), again(cause_text(cause))) for cause, share in shares_out(found.floor)
        ),
        helps=tuple(
            (again(percent_text(middle)), f"{again(percent_text(low))} – {again(percent_text(high))}",
             again(help_text(one.what)))
            for one in found.helps for low, middle, high in (one.after.quantiles(),)
        ),
        rests_on=tuple(map(again, found.rests_on)), cautions=tuple(map(again, found.cautions)),
    )  # fmt: skip
