"""`outlast ready`: the live check before leaving."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import AsJson, ConfigDir, echo, echo_json
from api.commands.installed import opened
from api.offline.readiness import Held, readiness_of, readiness_out
from collector.clock import SystemClock
from forecaster.texts.catalogue import words

SIGNS = {Held.HELD: "cli.held", Held.NOT_HELD: "cli.not_held", Held.NOT_FITTED: "cli.not_fitted"}


def ready(
    site: Annotated[str, typer.Argument(metavar="SITE")],
    config: ConfigDir = Path(),
    as_json: AsJson = False,
) -> int:
    """Before you leave: is there somebody to tell, does the pack carry the pump, is it charged, is the clock right?"""
    with opened(config) as found:
        say = words(found.installation.words.language)
        now_ms = SystemClock().now_ms()
        result = readiness_of(found.installation, found.ledger, found.store, found.site(site), say, now_ms)
    if as_json:
        echo_json(readiness_out(result, names=True))
        return 0 if result.ready else 1
    for line in result.lines:
        must = say("ready.must")
        echo(f"{say(SIGNS[line.state]):<11}{must if line.must else ' ' * len(must)}  {line.says}")
        if line.state is not Held.HELD:
            echo(f"                 {line.do}")
    echo(say("ready.yes" if result.ready else "ready.no"))
    return 0 if result.ready else 1
