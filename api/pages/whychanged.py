"""Why the end moved, in words: since this reader last looked, since the alarm, and in an hour."""

from __future__ import annotations

from dataclasses import dataclass

from api.http.shifts import shift_since
from api.pages.ports import PagePorts
from forecaster.domain.forecast import Forecast
from forecaster.domain.runs import Supply
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS
from forecaster.engine.changes import EndShift
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording

SAID_H = 1.0 / 12.0
"""Less than this is no movement: what an end is rounded to [h]."""


@dataclass(frozen=True, slots=True)
class WhyChanged:
    """One line: since when, and what moved the end by how much."""

    since: str
    says: str


def why_changed(
    ports: PagePorts,
    site: Site,
    forecast: Forecast | None,
    words: Words,
    now_ms: int,
    *,
    looked_ms: int | None,
    alarm_ms: int | None,
) -> tuple[WhyChanged, ...]:
    """The lines that there are, the reader's own first.

    looked_ms : int | None — when this reader last looked; alarm_ms : when the alarm on top was raised
    """
    if forecast is None:
        return ()
    wording = Wording.of(site, words)
    asked = [("why.looked", looked_ms), ("why.alarm", alarm_ms), ("why.hour", forecast.issued_at_ms - HOUR_MS)]
    found = []
    for key, since_ms in asked:
        shift = None if since_ms is None else shift_since(ports.ledger, site, forecast, since_ms)
        if shift is not None:
            since = words(key, time=wording.within(shift.since_ms, now_ms))
            found.append(WhyChanged(since, said(shift, forecast, wording)))
    return tuple(found)


def said(shift: EndShift, forecast: Forecast, wording: Wording) -> str:
    """`the end is 45 min later (water +60 min, charge −15 min).`"""
    words, parts = wording.words, parts_of(shift, wording)
    if abs(shift.middle_h) < SAID_H:
        return words("why.still", parts=parts)
    of_what = "ready" if forecast.supply is Supply.MAINS else "end"
    way = "later" if shift.middle_h > 0 else "sooner"
    return words(f"why.{of_what}.{way}", span=wording.hours(abs(shift.middle_h)), parts=parts)


def parts_of(shift: EndShift, wording: Wording) -> str:
    """Each part that moved the middle of the end, the greatest first, then what doubt did to its early end alone."""
    words = wording.words
    moved = [("inflow", shift.inflow_h), ("charge", shift.charge_h), ("loads", shift.loads_h)]
    moved.sort(key=lambda part: -abs(part[1]))
    told = [words(f"why.{name}", span=signed(hours, wording)) for name, hours in moved if abs(hours) >= SAID_H]
    doubt = words("why.doubt", span=signed(shift.doubt_h, wording)) if abs(shift.doubt_h) >= SAID_H else ""
    row = "; ".join(part for part in (", ".join(told), doubt) if part)
    return f" ({row})" if row else ""


def signed(hours: float, wording: Wording) -> str:
    """`+45 min`, `−2 h`."""
    return f"{'+' if hours > 0 else '−'}{wording.hours(abs(hours))}"
