"""`outlast report`: a readable summary of a site."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import AsJson, ConfigDir, echo_json
from api.commands.durations import span_ms
from api.commands.installed import opened
from api.offline.reporting import document, report_of, told
from api.tongue import spoken
from forecaster.domain.errors import UsageError
from forecaster.domain.times import DAY_MS
from forecaster.texts.catalogue import Said


def report(
    site_id: Annotated[str | None, typer.Argument(metavar="SITE")] = None,
    days: Annotated[float, typer.Option()] = 365.0,
    since: Annotated[str | None, typer.Option("--from", metavar="TIME")] = None,
    until: Annotated[str | None, typer.Option("--to", metavar="TIME")] = None,
    config: ConfigDir = Path(),
    as_json: AsJson = False,
) -> int:
    """What happened at a site: outages, discharge tests, pump health, and how good the forecasts were."""
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
        typer.echo("\n\n".join(told(one, spoken()) for one in reports) or spoken()("cli.no_site_is_described_yet"))
    return 0
