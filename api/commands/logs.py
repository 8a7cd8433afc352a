"""What a running program writes to stderr: from which level on, as text or as JSON lines."""

from __future__ import annotations

import copy
import logging
import sys
import threading
from enum import StrEnum
from types import TracebackType
from typing import Annotated, Any

import msgspec
import typer

from forecaster.domain.names import legible
from forecaster.engine.document import time_text

TEXT = "%(asctime)s %(levelname)s %(name)s %(message)s"
OWN = "outlast"
"""The parent of every logger of this program."""

TALKATIVE = ("httpx", "httpcore")
"""Their lines below a warning name the addresses that are called, and those may be secret."""


class LogLevel(StrEnum):
    """The lowest level of the lines that are written."""

    DEBUG = "debug"
    INFO = "info"
    WARNING = "warning"
    ERROR = "error"

    @property
    def number(self) -> int:
        """The level as the standard library counts it."""
        return logging.getLevelNamesMapping()[self.value.upper()]


class LogFormat(StrEnum):
    """How a line is written."""

    TEXT = "text"
    JSON = "json"


LevelIn = Annotated[LogLevel, typer.Option("--log-level")]
FormatIn = Annotated[LogFormat, typer.Option("--log-format")]


class JsonFormatter(logging.Formatter):
    """One JSON object a line: time (RFC 3339, UTC), level, logger, message, and exception where there is one."""

    def format(self, record: logging.LogRecord) -> str:
        """The line of one record, with what nobody sees as an escape of JSON."""
        line: dict[str, Any] = {
            "time": time_text(round(record.created * 1000.0)),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        return legible(msgspec.json.encode(line).decode())


class TextFormatter(logging.Formatter):
    """One line a record, and more only for a traceback, indented: what comes from outside begins no line, and moves no
    terminal (ASVS 5.0 V16.4.1)."""

    def format(self, record: logging.LogRecord) -> str:
        """The line of one record, with what nobody sees written as an escape."""
        own = copy.copy(record)
        own.msg, own.args = legible(record.getMessage()), ()
        own.exc_info = own.exc_text = own.stack_info = None
        lines = self.formatException(record.exc_info).split("\n") if record.exc_info else []
        return "\n    ".join([super().format(own), *map(legible, lines)])


def log_to_stderr(level: LogLevel, how: LogFormat) -> None:
    """Write the log of this process to stderr. Lines of libraries below info are left out, whatever the level."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setLevel(level.number)
    handler.setFormatter(JsonFormatter() if how is LogFormat.JSON else TextFormatter(TEXT))
    logging.basicConfig(handlers=[handler], level=max(level.number, logging.INFO))
    logging.getLogger(OWN).setLevel(level.number)
    sys.excepthook = _unexpected
    threading.excepthook = lambda told: _unexpected(told.exc_type, told.exc_value, told.exc_traceback)
    for name in TALKATIVE:
        logging.getLogger(name).setLevel(logging.WARNING)


def _unexpected(kind: type[BaseException], error: BaseException | None, at: TracebackType | None) -> None:
    """What nothing has caught goes into the log like everything else."""
    logging.getLogger(OWN).critical("%s", kind.__name__, exc_info=(kind, error or kind(), at))
