"""`outlast report`: a readable summary of a site."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import AsJson, ConfigDir, echo, echo_json
from api.commands.durations import span_ms
from api.commands.installed import opened
from api.http.outage_answers import story_out
from api.offline.reporting import document, report_of, told
from api.pages.outagepage import OutageWords
from api.tongue import spoken
from forecaster.domain.errors import NotFound, UsageError
from forecaster.domain.ports import Ledger
from forecaster.domain.runs import Outage
from forecaster.domain.times import DAY_MS
from forecaster.engine.document import time_ms
from forecaster.outage.story import LATEST, MOST_OUTAGES, outage_of, story_of
from forecaster.texts.catalogue import Said


def report(
    site_id: Annotated[str | None, typer.Argument(metavar="SITE")] = None,
    days: Annotated[float, typer.Option()] = 365.0,
    since: Annotated[str | None, typer.Option("--from", metavar="TIME")] = None,
    until: Annotated[str | None, typer.Option("--to", metavar="TIME")] = None,
    outage: Annotated[str | None, typer.Option(metavar="WHICH")] = None,
    config: ConfigDir = Path(),
    as_json: AsJson = False,
) -> int:
    """What happened at a site: outages, discharge tests, pump health, and how good the forecasts were."""
    if outage is not None:
        return _one(site_id, outage, config, as_json=as_json)
    if not 0 < days <= 36_500:
        raise UsageError(Said("cli.days_is_not_a_span", days=days), Said("cli.give_a_number_of_days_above"))
    start_ms, end_ms = span_ms(since, until, time.time_ns() // 1_000_000, round(days * DAY_MS))
    with opened(config) as has:
        sites = [has.site(site_id)] if site_id is not None else list(has.installation.sites.values())
        reports = [report_of(has.store, has.ledger, site, start_ms, end_ms) for site in sites]
    if as_json:
        found = [document(one) for one in reports]
        echo_json(found[0] if site_id is not None else {"reports": found})
    else:
        echo("\n\n".join(told(one, spoken()) for one in reports) or spoken()("cli.no_site_is_described_yet"))
    return 0


def _one(site_id: str | None, which: str, config: Path, *, as_json: bool) -> int:
    """One outage as a story."""
    if site_id is None:
        raise UsageError(Said("cli.an_outage_is_of_one_site"), Said("cli.name_the_site"))
    with opened(config) as has:
        site = has.site(site_id)
        found = _chosen(has.ledger, site_id, which)
        story = story_of(has.store, has.ledger, site, found, time.time_ns() // 1_000_000)
    if as_json:
        echo_json(story_out(story, names=False))
    else:
        echo("\n".join(OutageWords(story, spoken(), names=True, zoned=True).text()))
    return 0


def _chosen(ledger: Ledger, site_id: str, which: str) -> Outage:
    """The latest outage, the one of an id, or the one that lasted at a time."""
    if which == LATEST or which.isdecimal():
        return outage_of(ledger, site_id, which)
    at_ms = time_ms(which)
    for outage in ledger.outages(site_id, MOST_OUTAGES):
        if outage.start_ms <= at_ms and (outage.end_ms is None or at_ms <= outage.end_ms):
            return outage
    raise NotFound(Said("usage.outage", identity=which))
