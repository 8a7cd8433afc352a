"""`outlast study`: the long record studied, here and now, by those who work on the queue, or as one of them."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import AsJson, ConfigDir, echo, echo_json, tell
from api.commands.durations import moment_ms
from api.commands.installed import Opened, opened
from api.commands.logs import FormatIn, LevelIn, LogFormat, LogLevel
from api.commands.run import JoinAll, MetricsPort, start
from api.process.parts import Part
from collector.store.ledger import SqlLedger
from forecaster.domain.errors import UsageError
from forecaster.domain.site import Site
from forecaster.domain.studyjobs import StudyJob, StudyPriority
from forecaster.texts.catalogue import Said

Sites = Annotated[list[str] | None, typer.Argument(metavar="[SITE]...")]
At = Annotated[str | None, typer.Option("--at", metavar="TIME")]


def study(
    site_ids: Sites = None,
    at: At = None,
    config: ConfigDir = Path(),
    as_json: AsJson = False,
    queue: Annotated[bool, typer.Option("--queue")] = False,
    join: JoinAll = False,
    metrics_port: MetricsPort = None,
    log_level: LevelIn = LogLevel.INFO,
    log_format: FormatIn = LogFormat.TEXT,
) -> int:
    """Add up the days that are over, keep them for ever, and judge the health of every part from them."""
    if join:
        if site_ids or at is not None or queue:
            raise UsageError(Said("members.join_studies_what_is_queued"), Said("members.leave_one_out"))
        return start(config, frozenset({Part.STUDY}), log_level, log_format, metrics_port=metrics_port, joins=True)
    now_ms = time.time_ns() // 1_000_000 if at is None else moment_ms(at)
    with opened(config) as has:
        sites = [has.site(one) for one in site_ids or sorted(has.installation.sites)]
        if queue:
            return _queued(has, sites, now_ms, as_json=as_json)
        failed = _studied(has, sites, now_ms)
    if as_json:
        echo_json({"studied": sorted({site.id for site in sites} - failed.keys()), "failed": failed})
    for site, said in failed.items():
        echo(f"outlast study: site {site}: {said}", err=True)
    return 1 if failed else 0


def _studied(has: Opened, sites: Sequence[Site], now_ms: int) -> dict[str, str]:
    """Study sites here. Why it failed, for those where it did; others are not affected."""
    from api.process.study_making import made  # pandas and statsmodels

    told = {site.id: made(site, has.store, has.ledger, now_ms) for site in sites}
    return {site: problem for site, problem in told.items() if problem is not None}


def _queued(has: Opened, sites: Sequence[Site], now_ms: int, *, as_json: bool) -> int:
    """Ask those who work on the queue. Errors: UsageError where there is none."""
    if not isinstance(has.ledger, SqlLedger) or not has.ledger.joinable:
        raise UsageError(Said("members.no_queue_without_postgresql"), Said("members.study_here"))
    jobs = [StudyJob(site.id, now_ms, StudyPriority.ASKED) for site in sites]
    added = has.ledger.queue_studies(has.ledger.open_queue(), jobs)
    if as_json:
        echo_json({"queued": [site.id for site in sites], "added": added})
    else:
        tell(Said("members.queued", n=len(jobs), added=added))
    return 0
