"""Lengths of time in milliseconds, the unit of every time inside."""

from __future__ import annotations

SECOND_MS = 1_000
MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000
YEAR_DAYS = 365.2425
"""A mean year of the Gregorian calendar [days]."""
