"""What the page Health shows: each part in words with a small picture of its course."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from api.pages.frame import Frame, Lane
from api.pages.ports import PagePorts
from api.pages.svg import element, line, strokes, text
from forecaster.domain.longrecord import PartState, WorkDone
from forecaster.domain.site import Site
from forecaster.engine.document import time_ms, time_text
from forecaster.health.told import HEALTH, health_told, part_name, rows_told, season_told, storm_told
from forecaster.texts.catalogue import Words, with_unit
from forecaster.texts.wording import Wording

WIDTH, HEIGHT = 320.0, 84.0
"""Of a picture [px]."""

HEAD, TAIL, TOP, FOOT = 6.0, 314.0, 14.0, 64.0
"""Where the course begins and ends along, and lies across [px]."""


@dataclass(frozen=True, slots=True)
class PartLine:
    """One part: its name, state, words, figures and picture."""

    name: str
    state: str
    state_said: str
    says: str
    do: str
    first: str
    now: str
    picture: Markup | None


@dataclass(frozen=True, slots=True)
class WorkLine:
    """Work done: its id, when, what, and whether it helped, "" before a study has looked."""

    id: str
    day: str
    did: str
    helped: str


@dataclass(frozen=True, slots=True)
class HealthShown:
    """The whole page. as_of : the day up to which the record was studied, "" before the first study.

    storm : what is said of the storm margin, and what to do; season : of the months
    """

    as_of: str
    failed: str
    parts: tuple[PartLine, ...]
    storm: tuple[str, str] | None
    season: str | None
    work: tuple[WorkLine, ...]


def health_page(ports: PagePorts, site: Site, words: Words) -> HealthShown:
    """The newest study of a site in a reader's language."""
    document = health_told(ports.ledger, site.id)
    parts, work = rows_told(ports.ledger.study(site.id, HEALTH), words, courses=True)
    return HealthShown(
        as_of="" if document["as_of"] is None else document["as_of"][:10],
        failed="" if document["failed"] is None else words("health.failed", why=document["failed"]),
        parts=tuple(part_line(part, words) for part in parts),
        storm=storm_told(ports.ledger, site.id, words),
        season=season_told(ports.ledger, site.id, words),
        work=work_lines(ports, site, work, words),
    )


def work_lines(ports: PagePorts, site: Site, studied: Sequence[dict[str, Any]], words: Words) -> tuple[WorkLine, ...]:
    """Work done as it is told at present, newest first, with what a study says of it. studied : its rows"""
    helped = {(row["at"], row["part"]): gain_text(row["helped"], words) for row in studied}
    local = Wording.of(site, words).local
    return tuple(
        WorkLine(
            one.id, local(one.at_ms).date().isoformat(), did_text(one, words),
            helped.get((time_text(one.at_ms), one.concerns[0].value if one.concerns else None), ""),
        )
        for one in ports.ledger.work(site.id)
    )  # fmt: skip


def did_text(work: WorkDone, words: Words) -> str:
    """What was done, and on which pump where it was the second one."""
    did = work.did or words(f"work.did-{work.kind}")
    return words("health.of_pump", pump=work.pump, says=did) if work.pump else did


def part_line(part: dict[str, Any], words: Words) -> PartLine:
    """One part in words; nothing is to be done where it is good."""
    name, state = part_name(part, words), PartState(part["state"])
    baseline, now, unit = part["baseline"], part["now"], part["baseline"]["unit"]
    return PartLine(
        name=name[:1].upper() + name[1:], state=state.value, state_said=words(f"health.state.{state}"),
        says=part["says"], do="" if state is PartState.GOOD else part["do"],
        first=_figure(baseline["value"], unit, words), now=_figure(now["value"], unit, words),
        picture=picture(part, name, words),
    )  # fmt: skip


def _figure(value: float | None, unit: str, words: Words) -> str:
    return "" if value is None else words.again(with_unit(f"{value:z.{0 if abs(value) >= 10.0 else 1}f}", unit))


def gain_text(gain: dict[str, float] | None, words: Words) -> str:
    """Whether work helped, with its range."""
    if gain is None:
        return words("health.not-told")
    low, middle, high = (words.signs(f"{100.0 * gain[level]:+.0f}") for level in ("p10", "p50", "p90"))
    return words("health.helped", low=low, middle=middle, high=high)


def picture(part: dict[str, Any], name: str, words: Words) -> Markup | None:
    """The course of a part, its first level as a dashed line, and a mark where it changed; None where there is none."""
    course: Sequence[tuple[int, float]] = part.get("course", ())
    if len(course) < 2 or course[0][0] >= course[-1][0]:
        return None
    values, first = [value for _, value in course], part["baseline"]["value"]
    low, high = min([*values, first]), max([*values, first])
    room = max(0.25 * (high - low), 0.02 * abs(high), 1e-6)
    frame = Frame(course[0][0], course[-1][0], HEAD, TAIL)
    lane = Lane(low - room, high + room, FOOT, TOP)
    base = lane.across(first)
    drawn = [
        element("path", {"class": "grid", "d": strokes([((HEAD, base), (TAIL, base))]), "stroke-dasharray": "4 3"}),
        element("path", {"class": "mean first", "d": line(frame.at(at, lane.across(value)) for at, value in course)}),
    ]
    if part["since"] is not None and frame.holds(time_ms(part["since"])):
        along = frame.along(time_ms(part["since"]))
        drawn.append(element("path", {"class": "hair", "d": strokes([((along, TOP - 8.0), (along, FOOT))])}))
    days = [day_label(course[0][0]), day_label(course[-1][0])]
    drawn += [
        text((HEAD, HEIGHT - 4.0), days[0], "soft-label"),
        text((TAIL, HEIGHT - 4.0), days[1], "soft-label", "end"),
    ]
    label = words("health.picture", part=name, first=days[0], last=days[1], says=part["says"])
    return element(
        "svg",
        {"class": "picture small", "viewBox": f"0 0 {WIDTH:g} {HEIGHT:g}", "role": "img", "aria-label": label},
        *drawn,
    )


def day_label(at_ms: int) -> str:
    """A day as every language reads it."""
    return time_text(at_ms)[:10]
