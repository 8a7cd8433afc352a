"""What changed limits of the reserve would have done in the latest outages, by the forecasts that were kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from api.pages.edit.fields import RESERVES
from forecaster.alarms import TABLE
from forecaster.decoding.typed import from_json
from forecaster.domain.alarms import AlarmKind
from forecaster.domain.ports import Ledger
from forecaster.domain.runs import Outage, Supply
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording

YEAR_MS = 365 * DAY_MS
MOST_OUTAGES, MOST_FORECASTS = 12, 500
"""Most outages that are looked at, and most forecasts of each: so that the answer comes within a second or two."""


class _KeptForecast(msgspec.Struct):
    """What of a kept forecast a limit of the reserve is compared with."""

    supply: str
    hours_remaining: dict[str, float | None]


def limits_preview(
    ledger: Ledger, site: Site, before: Mapping[str, Any], after: Mapping[str, Any], words: Words, now_ms: int
) -> tuple[str, ...]:
    """A line for each limit of the reserve that changed, and one where others changed, saying that they are not tried.

    before, after : the section [alarms] of the file before and after the change; now_ms : int — UTC milliseconds
    """
    lines: list[str] = []
    outages: list[tuple[Outage, list[tuple[int, float]]]] | None = None
    for key, kind in RESERVES.items():
        old, new = (float(section.get(key, TABLE[kind].limit or 0.0)) for section in (before, after))
        if old == new:
            continue
        if outages is None:
            outages = [(one, _hours(ledger, one, now_ms)) for one in _latest(ledger, site, now_ms)]
        lines.append(_line(kind, old, new, outages, Wording.of(site, words), now_ms))
    if outages is not None and any(hours for _, hours in outages):
        lines.append(words("edit.preview_rests"))
    if any(before.get(key) != after.get(key) for key in ("limits", "off")):
        lines.append(words("edit.preview_others"))
    return tuple(lines)


def _latest(ledger: Ledger, site: Site, now_ms: int) -> list[Outage]:
    """The latest outages of the last 365 days, newest first, MOST_OUTAGES at most, without rehearsals."""
    found = [one for one in ledger.outages(site.id) if not one.rehearsal and one.start_ms >= now_ms - YEAR_MS]
    return sorted(found, key=lambda one: -one.start_ms)[:MOST_OUTAGES]


def _hours(ledger: Ledger, outage: Outage, now_ms: int) -> list[tuple[int, float]]:
    """Forecasts during an outage, in order: when issued [ms], and the 10 % quantile of hours to the reserve floor."""
    kept = ledger.forecasts(outage.site, outage.start_ms, outage.end_ms or now_ms, MOST_FORECASTS)
    decoded = [(one.issued_ms, from_json(one.document, _KeptForecast)) for one in kept]
    return sorted(
        (issued_ms, hours)
        for issued_ms, forecast in decoded
        if forecast.supply == Supply.PACK and (hours := forecast.hours_remaining.get("p10")) is not None
    )


def _raised(hours: list[tuple[int, float]], limit_h: float) -> int | None:
    return next((issued_ms for issued_ms, foreseen_h in hours if foreseen_h < limit_h), None)


def _line(
    kind: AlarmKind, old: float, new: float, outages: list[tuple[Outage, list[tuple[int, float]]]], wording: Wording,
    now_ms: int,
) -> str:  # fmt: skip
    words = wording.words
    named = words(f"alarms.kind.{kind.value}")
    known = [hours for _, hours in outages if hours]
    if not known:
        return words("edit.preview_none", kind=named)
    moments = [(_raised(hours, old), _raised(hours, new)) for hours in known]
    said = words(
        "edit.preview", kind=named, new=f"{new:g}", old=f"{old:g}", n=len(known),
        after=sum(after is not None for _, after in moments), before=sum(one is not None for one, _ in moments),
    )  # fmt: skip
    first, then = (wording.clock(at, now_ms) if at else words("edit.preview_never") for at in moments[0])
    return f"{said} {words('edit.preview_newest', old=first, new=then)}"
