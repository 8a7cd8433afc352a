"""The addresses of one outage: its page, its report to print, and outages side by side."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from api.http.dependencies import SiteIn
from api.http.routes.outage import OutageId
from api.pages.comparing import MOST, compared
from api.pages.guard import CallerIn, PageRoute, PortsIn
from api.pages.moments import zone_words
from api.pages.outagepage import outage_told
from api.pages.ports import PagePorts
from api.pages.render import page
from api.pages.speech import WordsIn
from forecaster.domain.errors import UsageError
from forecaster.domain.site import Site
from forecaster.outage.story import OutageStory, outage_of, story_of
from forecaster.texts.catalogue import Said
from forecaster.texts.wording import Wording

router = APIRouter(route_class=PageRoute, include_in_schema=False)

REPORT_LINES = 12
"""Lines of a list in a report, so that it prints on two pages."""

Chosen = Annotated[list[Annotated[str, Query(pattern=r"^[0-9]{1,15}$")]] | None, Query(alias="outage", max_length=20)]


def story_in(ports: PagePorts, site: Site, outage: str) -> OutageStory:
    """The story of an outage as it is known now; NotFound."""
    return story_of(ports.store, ports.ledger, site, outage_of(ports.ledger, site.id, outage), ports.clock.now_ms())


@router.get("/sites/{site}/outages/compare")
def compare(
    request: Request, site: SiteIn, ports: PortsIn, words: WordsIn, caller: CallerIn, chosen: Chosen = None
) -> Response:
    """Two or more outages side by side."""
    wanted = sorted(set(chosen or ()), key=int)
    if not 2 <= len(wanted) <= MOST:
        raise UsageError(Said("story.compare_few", most=MOST), Said("usage.tick_them_on_the_list"))
    stories = [story_in(ports, site, one) for one in wanted]
    told = compared(ports, stories, words, names=caller.operate)
    zone = zone_words(stories[-1].outage.start_ms, Wording.of(site, words), words)
    links = [(str(story.outage.start_ms), title) for story, (title, _) in zip(stories, told.legend, strict=True)]
    return page(request, "compare.html", caller, site_id=site.id, name=site.name, compared=told, zone=zone, links=links)


@router.get("/sites/{site}/outages/{outage}")
def outage(
    request: Request, site: SiteIn, ports: PortsIn, words: WordsIn, caller: CallerIn, outage: OutageId
) -> Response:
    """One outage as a story."""
    story = story_in(ports, site, outage)
    told = outage_told(ports, story, words, names=caller.operate)
    zone = zone_words(story.outage.start_ms, Wording.of(site, words), words)
    return page(request, "outage.html", caller, site_id=site.id, name=site.name, told=told, zone=zone)


@router.get("/sites/{site}/outages/{outage}/report")
def report(
    request: Request, site: SiteIn, ports: PortsIn, words: WordsIn, caller: CallerIn, outage: OutageId
) -> Response:
    """The report of an outage, which prints on two pages."""
    story = story_in(ports, site, outage)
    told = outage_told(ports, story, words, names=caller.operate, zoned=True, most=REPORT_LINES)
    made = words("story.report_made", time=Wording.of(site, words).full(ports.clock.now_ms()))
    return page(request, "report.html", caller, site_id=site.id, name=site.name, told=told, made=made)
