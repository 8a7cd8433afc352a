"""`outlast replay`: forecasts from a recorded message log, by the same engine as live."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import msgspec
import typer

from api.commands.common import complain_of, tell
from api.commands.durations import duration_ms, moment_ms
from api.offline.replaying import Replay
from collector.config.settings import load_site
from collector.decode.log import MessageLog
from forecaster.domain.names import legible
from forecaster.engine.document import document
from forecaster.texts.catalogue import Said


def replay(
    log: Annotated[list[str], typer.Argument(metavar="LOG…")],
    site: Annotated[Path, typer.Option("--site", metavar="SITE.toml")],
    at: Annotated[list[str] | None, typer.Option("--at", metavar="TIME")] = None,
    every: Annotated[str | None, typer.Option(metavar="DURATION")] = None,
    seed: Annotated[int, typer.Option()] = 0,
    strict: Annotated[bool, typer.Option("--strict")] = False,
) -> None:
    """Write one forecast document a line for each time asked, from only the messages up to that time."""
    times = [moment_ms(text) for text in at or []]
    work = Replay(load_site(site), at=times, every_ms=None if every is None else duration_ms(every), seed=seed)
    encode = msgspec.json.encode
    messages = MessageLog(log, strict=strict)
    try:
        for forecast in work.forecasts(messages):
            sys.stdout.write(legible(encode(document(forecast)).decode()) + "\n")
    finally:
        complain_of(messages, "outlast replay")
    if work.messages and not work.readings:
        tell(
            Said("cli.outlast_replay_none_of_the_messages", messages=work.messages, site=site, refused=work.refused),
            err=True,
        )
