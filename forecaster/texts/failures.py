"""Errors in one line, as a reader's language says them."""

from __future__ import annotations

from forecaster.domain.errors import ConfigError, NotFound, OutlastError, UsageError
from forecaster.texts.catalogue import Words


def failure(error: OutlastError, said_in: Words) -> str:
    """An error as its `str` is, in a language."""
    if isinstance(error, ConfigError):
        where = f"{error.file}: {error.key}" if error.key else error.file
        return said_in("failure.config", where=where, problem=error.problem, fix=error.fix)
    if isinstance(error, UsageError):
        return said_in("failure.usage", problem=error.problem, fix=error.fix)
    if isinstance(error, NotFound):
        return said_in("failure.not_found", what=error.what)
    first = error.args[0] if error.args else ""
    return said_in.line(first if isinstance(first, str) else str(error))
