"""Outages side by side: their figures in one table, their charge in one picture against the hours since each began."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from markupsafe import Markup

from api.pages.contexts import DataTable
from api.pages.outagepage import OutageWords
from api.pages.picture import NARROW, WIDE, Dot, PictureContents, Series, draw_picture
from api.pages.ports import PagePorts
from forecaster.domain.quantities import Quantity
from forecaster.domain.times import HOUR_MS
from forecaster.outage.story import OutageStory
from forecaster.pack.together import house_series
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording

MOST = 4
"""Outages side by side: more columns and lines cannot be told apart."""

POINTS = 120
STYLES = ("first", "second", "third", "fourth")


@dataclass(frozen=True, slots=True)
class Compared:
    """The table, and the picture with its legend; no picture where no charge was measured."""

    table: DataTable
    legend: tuple[tuple[str, str], ...]
    wide: Markup
    narrow: Markup
    drawn: bool


def compared(ports: PagePorts, stories: Sequence[OutageStory], words: Words, *, names: bool) -> Compared:
    """Outages of one site beside each other, the oldest first."""
    tellers = [OutageWords(story, words, names=names) for story in stories]
    titles = [teller.wording.full(teller.start_ms) for teller in tellers]
    lines = [teller.facts() for teller in tellers]
    length = words("outages.length")
    rows = [(length, *(teller.wording.hours(teller.story.lasted_h) for teller in tellers))]
    rows += [(facts[0].name, *(fact.value for fact in facts)) for facts in zip(*lines, strict=True)]
    series = [
        Series(title, style, _charge(ports, story))
        for title, style, story in zip(titles, STYLES, stories, strict=False)
    ]
    scene = _scene(stories, series, tellers[0].wording, words)
    return Compared(
        DataTable(words("story.compare_title"), (words("story.compare_row"), *titles), tuple(rows)),
        tuple((one.name, one.style) for one in series),
        draw_picture(scene, WIDE), draw_picture(scene, NARROW), any(one.dots for one in series),
    )  # fmt: skip


def _charge(ports: PagePorts, story: OutageStory) -> list[Dot]:
    """The charge in milliseconds since the outage began."""
    start_ms, until_ms = story.outage.start_ms, story.until_ms
    width = max(1, (until_ms - start_ms) // POINTS)
    points = house_series(ports.store, story.site, Quantity.PACK_CHARGE, start_ms, until_ms, POINTS)
    return [
        Dot(point.time_ms - start_ms, point.time_ms - start_ms + width, point.low, point.high, point.mean)
        for point in points
    ]


def _scene(stories: Sequence[OutageStory], series: Sequence[Series], wording: Wording, words: Words) -> PictureContents:
    def hours(local: datetime) -> str:
        return words("story.hours_in", n=round(local.timestamp() / 3600.0))

    title = words("story.compare_charge")
    return PictureContents(
        key="compared", title=f"{stories[0].site.name}: {title}",
        description=words("story.compare_charge_text", n=len(stories)),
        start_ms=0, end_ms=round(max(story.lasted_h for story in stories) * HOUR_MS) + 1, zone=ZoneInfo("UTC"),
        series=series, outages=(), say=wording.percent, clock=hours, day=hours, top=100.0,
    )  # fmt: skip
