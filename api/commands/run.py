"""`outlast run`, `collect`, `forecast`, `serve`: an installation, whole or in parts."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import ConfigDir, tell
from api.commands.logs import FormatIn, LevelIn, LogFormat, LogLevel, log_to_stderr
from api.process.handles import raise_handle_limit
from api.process.parts import EVERYTHING, Part
from api.process.process import Process
from api.process.signals import interrupt_ends
from collector.clock import SystemClock
from collector.config.settings import load_installation
from collector.share import WHOLE, Share, parse_share
from forecaster.domain.errors import UsageError
from forecaster.texts.catalogue import Said

ShareOf = Annotated[str, typer.Option("--share", metavar="N/M")]
MetricsPort = Annotated[int | None, typer.Option("--metrics-port", metavar="PORT", min=1, max=65_535)]
JoinAll = Annotated[bool, typer.Option("--join")]


def start(
    config: Path,
    parts: frozenset[Part],
    level: LogLevel,
    how: LogFormat,
    share: Share = WHOLE,
    metrics_port: int | None = None,
    *,
    joins: bool = False,
) -> int:
    """Run some parts of an installation until SIGTERM or ctrl-C."""
    if joins and share != WHOLE:
        raise UsageError(Said("members.join_or_share"), Said("members.leave_one_out"))
    log_to_stderr(level, how)
    os.umask(0o077)  # what is written holds secrets: the ledger its sessions, a site file the addresses of people
    raise_handle_limit()
    with interrupt_ends():
        installation = load_installation(config)
        process = Process(installation, parts, SystemClock(), share, metrics_port, joins=joins)
    http = installation.http
    address = Said("cli.outlast_is_at_http_ctrl_c", host=http.host, port=http.port)
    return process.run((lambda: tell(address)) if Part.SERVE in parts else None)


def run(config: ConfigDir = Path(), log_level: LevelIn = LogLevel.INFO, log_format: FormatIn = LogFormat.TEXT) -> int:
    """Collector, forecaster, deliveries, API and pages in one process."""
    return start(config, EVERYTHING, log_level, log_format)


def collect(
    config: ConfigDir = Path(),
    share: ShareOf = "1/1",
    metrics_port: MetricsPort = None,
    join: JoinAll = False,
    log_level: LevelIn = LogLevel.INFO,
    log_format: FormatIn = LogFormat.TEXT,
) -> int:
    """The collector alone: from the broker into the store."""
    parts = frozenset({Part.COLLECT})
    return start(config, parts, log_level, log_format, parse_share(share), metrics_port, joins=join)


def forecast(
    config: ConfigDir = Path(),
    share: ShareOf = "1/1",
    metrics_port: MetricsPort = None,
    join: JoinAll = False,
    log_level: LevelIn = LogLevel.INFO,
    log_format: FormatIn = LogFormat.TEXT,
) -> int:
    """The forecaster alone: from the store to forecasts, alarms and deliveries."""
    parts = frozenset({Part.FORECAST})
    return start(config, parts, log_level, log_format, parse_share(share), metrics_port, joins=join)


def serve(config: ConfigDir = Path(), log_level: LevelIn = LogLevel.INFO, log_format: FormatIn = LogFormat.TEXT) -> int:
    """The API and the pages alone; keeps nothing, so there may be several."""
    return start(config, frozenset({Part.SERVE}), log_level, log_format)
