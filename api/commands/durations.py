"""Times and durations as people write them on the command line."""

from __future__ import annotations

import re
from datetime import date

from forecaster.domain.errors import UsageError
from forecaster.engine.document import time_ms
from forecaster.texts.catalogue import Said

UNITS_S = {"s": 1, "m": 60, "min": 60, "h": 3_600, "d": 86_400}
DAY = re.compile(r"\d{4}-\d\d-\d\d")
PART = re.compile(r"(\d+(?:\.\d+)?)(min|[smhd])")


def duration_ms(text: str) -> int:
    """ "90s", "15m", "1h30m", "2d" in milliseconds. UsageError."""
    compact = text.replace(" ", "")
    parts = PART.findall(compact)
    if not parts or "".join(number + unit for number, unit in parts) != compact:
        raise UsageError(Said("cli.is_not_a_duration", text=text), Said("cli.write_it_as_90s_15m_1h30m"))
    length = round(1000 * sum(float(number) * UNITS_S[unit] for number, unit in parts))
    if length <= 0:
        raise UsageError(Said("cli.has_no_length", text=text), Said("cli.give_a_duration_of_at_least"))
    return length


def span_ms(since: str | None, until: str | None, now_ms: int, default_ms: int) -> tuple[int, int]:
    """[--from, --to) in UTC milliseconds; what is left out: until now, for as long as `default_ms`. UsageError."""
    end_ms = now_ms if until is None else moment_ms(until)
    start_ms = end_ms - default_ms if since is None else moment_ms(since)
    if start_ms >= end_ms:
        raise UsageError(Said("cli.from_it_does_not_lie_before"), Said("cli.give_an_earlier_time"))
    return start_ms, end_ms


def day_of(text: str) -> date:
    """A calendar day as in 2026-03-05. UsageError."""
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise UsageError(Said("cli.is_not_a_day", text=text), Said("cli.write_it_as_a_day")) from error


def moment_ms(text: str) -> int:
    """RFC 3339 in UTC milliseconds. UsageError."""
    return time_ms(text)
