"""`outlast run`, `collect`, `forecast`, `serve`: an installation, whole or in parts."""

from __future__ import annotations

import logging
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import ConfigDir
from api.process.parts import EVERYTHING, Part
from api.process.process import Process
from collector.clock import SystemClock
from collector.config.settings import load_installation
from collector.share import WHOLE, Share, parse_share

ShareOf = Annotated[
    str, typer.Option("--share", metavar="N/M", help="Own the N-th of M shares of the sites, by a stable hash.")
]


def start(config: Path, parts: frozenset[Part], share: Share = WHOLE) -> int:
    """Run some parts of an installation until SIGTERM or ctrl-C."""
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s %(message)s")
    os.umask(0o077)  # what is written holds secrets: the ledger its sessions, a site file the addresses of people
    logging.getLogger("httpx").setLevel(logging.WARNING)
    installation = load_installation(config)
    process = Process(installation, parts, SystemClock(), share)
    if Part.SERVE in parts:
        http = installation.http
        typer.echo(f"Outlast is at http://{http.host}:{http.port}/ (ctrl-C ends it)")
    return process.run()


def run(config: ConfigDir = Path()) -> int:
    """Collector, forecaster, deliveries, API and pages in one process.

    Example: outlast run --config /etc/outlast
    """
    return start(config, EVERYTHING)


def collect(config: ConfigDir = Path(), share: ShareOf = "1/1") -> int:
    """The collector alone: from the broker into the store.

    Example: outlast collect --config /etc/outlast --share 2/5
    """
    return start(config, frozenset({Part.COLLECT}), parse_share(share))


def forecast(config: ConfigDir = Path(), share: ShareOf = "1/1") -> int:
    """The forecaster alone: from the store to forecasts, alarms and deliveries.

    Example: outlast forecast --config /etc/outlast --share 2/5
    """
    return start(config, frozenset({Part.FORECAST}), parse_share(share))


def serve(config: ConfigDir = Path()) -> int:
    """The API and the pages alone; keeps nothing, so there may be several.

    Example: outlast serve --config /etc/outlast
    """
    return start(config, frozenset({Part.SERVE}))
