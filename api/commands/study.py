"""`outlast study`: the long record brought up to date and studied, on demand."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import AsJson, ConfigDir, echo, echo_json
from api.commands.durations import moment_ms
from api.commands.installed import Opened, opened
from forecaster.domain.longrecord import StudyRecord
from forecaster.domain.site import Site
from forecaster.health.season import study_season
from forecaster.health.storm import study_storm
from forecaster.health.studying import study_health
from forecaster.health.told import HEALTH, SEASON, STORM
from forecaster.live.site_runner import SITE_FAULTS
from forecaster.record.studying import study_days

Sites = Annotated[list[str] | None, typer.Argument(metavar="[SITE]...")]
At = Annotated[str | None, typer.Option("--at", metavar="TIME")]


def study(site_ids: Sites = None, at: At = None, config: ConfigDir = Path(), as_json: AsJson = False) -> int:
    """Add up the days that are over, keep them for ever, and judge the health of every part from them."""
    now_ms = time.time_ns() // 1_000_000 if at is None else moment_ms(at)
    with opened(config) as has:
        sites = [has.site(one) for one in site_ids or sorted(has.installation.sites)]
        told = {site.id: _studied(has, site, now_ms) for site in sites}
    failed = {site: said for site, said in told.items() if isinstance(said, str)}
    if as_json:
        echo_json({"studied": sorted(told.keys() - failed.keys()), "failed": failed})
    for site, said in failed.items():
        echo(f"outlast study: site {site}: {said}", err=True)
    return 1 if failed else 0


def _studied(has: Opened, site: Site, now_ms: int) -> StudyRecord | str:
    """Study one site. The record of the study, or the reason why it failed; other sites are not affected."""
    kind = "days"
    try:
        record = study_days(site, has.store, has.ledger, now_ms)
        kind = HEALTH
        study_health(site, has.ledger, now_ms)
        kind = STORM
        study_storm(site, has.ledger, now_ms)
        kind = SEASON
        study_season(site, has.ledger, now_ms)
    except SITE_FAULTS as error:
        problem = f"{type(error).__name__}: {error}"
        has.ledger.fail_study(site.id, kind, problem)
        return problem
    return record
