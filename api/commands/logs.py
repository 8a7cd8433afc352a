"""What a running program writes to stderr: from which level on, as text or as JSON lines."""

from __future__ import annotations

import copy
import logging
import sys
from enum import StrEnum
from typing import Annotated, Any

import msgspec
import typer

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
        """The line of one record."""
        line: dict[str, Any] = {
            "time": time_text(round(record.created * 1000.0)),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        return msgspec.json.encode(line).decode()


class TextFormatter(logging.Formatter):
    """One line a record: what comes from outside begins no line, and moves no terminal (ASVS 5.0 V16.4.1)."""

    def format(self, record: logging.LogRecord) -> str:
        """The line of one record, with what cannot be shown written as an escape."""
        own = copy.copy(record)
        own.msg, own.args = shown(record.getMessage()), ()
        return super().format(own)


def shown(text: str) -> str:
    """A text with what cannot be shown written as an escape."""
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text)


def log_to_stderr(level: LogLevel, how: LogFormat) -> None:
    """Write the log of this process to stderr. Lines of libraries below info are left out, whatever the level."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setLevel(level.number)
    handler.setFormatter(JsonFormatter() if how is LogFormat.JSON else TextFormatter(TEXT))
    logging.basicConfig(handlers=[handler], level=max(level.number, logging.INFO))
    logging.getLogger(OWN).setLevel(level.number)
    for name in TALKATIVE:
        logging.getLogger(name).setLevel(logging.WARNING)
