"""What was foreseen through the latest outage, hour by hour, against what came."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from markupsafe import Markup

from api.pages.contexts import DataTable
from api.pages.picture import NARROW, WIDE, Dot, PictureContents, Series, draw_picture
from api.pages.ports import PagePorts
from forecaster.domain.runs import Outage
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS
from forecaster.outage.story import Foreseen, foreseen_in, ranged
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording


@dataclass(frozen=True, slots=True)
class PastEnds:
    """The picture, its table, and what came, in words."""

    title: str
    says: str
    legend: tuple[tuple[str, str], ...]
    wide: Markup
    narrow: Markup
    table: DataTable


def past_ends(ports: PagePorts, site: Site, words: Words) -> PastEnds | None:
    """What the forecasts of the newest outage said of its end; None where there is none, or none was kept."""
    outage = next((found for found in ports.ledger.outages(site.id, 20) if not found.rehearsal), None)
    if outage is None:
        return None
    now_ms = ports.clock.now_ms()
    end_ms = now_ms if outage.end_ms is None else outage.end_ms
    return ends_of(site, outage, foreseen_in(ports.ledger, outage, end_ms), end_ms, now_ms, words)


def ends_of(
    site: Site, outage: Outage, foreseen: Sequence[Foreseen], end_ms: int, now_ms: int, words: Words
) -> PastEnds | None:
    """What was foreseen of an outage's end up to `end_ms`, against what came; None where nothing was."""
    wording = Wording.of(site, words)
    dots = dots_of(outage, foreseen, end_ms)
    if not dots:
        return None
    came_ms, says = what_came(outage, wording, words, now_ms)
    series = [Series(words("outages.foreseen"), "first", dots)]
    if came_ms is not None:
        hours = (came_ms - outage.start_ms) / HOUR_MS
        line = [Dot(dot.start_ms, dot.stop_ms, hours, hours, hours) for dot in dots]
        series.append(Series(words("outages.came"), "second", line))

    def clock(hours: float) -> str:
        return wording.clock(outage.start_ms + round(hours * HOUR_MS), now_ms)

    title = words("outages.ends", start=wording.within(outage.start_ms, now_ms))
    scene = PictureContents(
        key="ends", title=f"{site.name}: {title}", description=words("outages.ends_text", came=says),
        start_ms=outage.start_ms, end_ms=max(end_ms, dots[-1].stop_ms), zone=wording.zone, series=series, outages=(),
        say=clock, clock=lambda local: wording.dated(local, "hour"), day=lambda local: wording.dated(local, "date"),
        from_nought=True,
    )  # fmt: skip
    rows = tuple(
        (wording.clock(dot.start_ms, now_ms), *(clock(hours) for hours in (dot.low, dot.mean, dot.high)))
        for dot in dots
    )
    head = tuple(words(f"outages.ends_{key}") for key in ("at", "low", "mean", "high"))
    return PastEnds(
        title, says, tuple((one.name, one.style) for one in series),
        draw_picture(scene, WIDE), draw_picture(scene, NARROW), DataTable(title, head, rows),
    )  # fmt: skip


def dots_of(outage: Outage, foreseen: Sequence[Foreseen], end_ms: int) -> Sequence[Dot]:
    """The range of the end as it was foreseen in each step, in hours from the outage's beginning."""
    dots = []
    for one in foreseen:
        hours = ranged(one.hours)
        if hours is not None:
            passed_h = (one.at_ms - outage.start_ms) / HOUR_MS
            low, middle, high = (passed_h + left_h for left_h in hours)
            dots.append(Dot(one.at_ms, one.at_ms, low, high, middle))
    if not dots:
        return []
    stops = [*(dot.start_ms for dot in dots[1:]), end_ms]
    return [replace(dot, stop_ms=max(stop_ms, dot.start_ms + 1)) for dot, stop_ms in zip(dots, stops, strict=True)]


def what_came(outage: Outage, wording: Wording, words: Words, now_ms: int) -> tuple[int | None, str]:
    """When the floor was reached or the mains came back, and the same in words; None while both are to come."""
    if outage.reached_reserve_ms is not None:
        at_ms = outage.reached_reserve_ms
        return at_ms, words("outages.came_floor", time=wording.within(at_ms, now_ms))
    if outage.end_ms is not None:
        return outage.end_ms, words("outages.came_mains", time=wording.within(outage.end_ms, now_ms))
    return None, words("outages.came_not")
