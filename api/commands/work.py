"""`outlast work`: what people did to pump, float, valve or pack, told and listed."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import AsJson, ConfigDir, echo, echo_json, group
from api.commands.durations import moment_ms
from api.commands.installed import opened
from api.tongue import spoken
from forecaster.domain.longrecord import HousePart, WorkDone, WorkKind
from forecaster.engine.document import time_text
from forecaster.live.working import tell_work, work_document
from forecaster.texts.doers import COMMAND_LINE

app = group()

SiteId = Annotated[str, typer.Argument(metavar="SITE")]
At = Annotated[str | None, typer.Option("--at", metavar="TIME")]
Part = Annotated[HousePart | None, typer.Option()]


@app.command()
def add(
    site_id: SiteId,
    kind: Annotated[WorkKind, typer.Argument()],
    at: At = None,
    part: Part = None,
    did: Annotated[str, typer.Option()] = "",
    pump: Annotated[str, typer.Option()] = "",
    config: ConfigDir = Path(),
    as_json: AsJson = False,
) -> int:
    """Tell of work done; the baselines of what it concerns start anew from its time."""
    now_ms = time.time_ns() // 1_000_000
    at_ms = None if at is None else moment_ms(at)
    with opened(config) as has:
        work = tell_work(has.ledger, has.site(site_id), COMMAND_LINE, now_ms, kind, at_ms, part, did, pump)
    if as_json:
        echo_json({"site": site_id, **work_document(work)})
    else:
        echo(line(work))
    return 0


@app.command(name="list")
def list_work(site_id: SiteId, config: ConfigDir = Path(), as_json: AsJson = False) -> int:
    """List work done at a site, newest first."""
    with opened(config) as has:
        site = has.site(site_id)
        done = has.ledger.work(site.id)
    if as_json:
        echo_json({"site": site.id, "work": [work_document(work) for work in done]})
    else:
        echo("\n".join(map(line, done)) if done else spoken()("work.none", site=site.name))
    return 0


def line(work: WorkDone) -> str:
    """Work done as a line: when, what, on which part, in whose words."""
    say = spoken()
    part = "" if work.part is None else " ({})".format(say(f"part.{work.part}"))
    part += "" if not work.pump else " ({})".format(say("now.pump_one", pump=work.pump))
    did = f": {work.did}" if work.did else ""
    return "{}  {}{}{}".format(time_text(work.at_ms), say(f"work.did-{work.kind}"), part, did)
