"""What workers count of themselves, for the metrics."""

from __future__ import annotations

from typing import NamedTuple


class Count(NamedTuple):
    """One sample of a metric family.

    name : str — with its base unit at the end, as `outlast_message_age_seconds`; without the suffix of counters
    kind : str — "counter", which only rises, or "gauge"
    help : str — one line
    value : float | None — None: not known, and left out
    labels : tuple[tuple[str, str], ...] — (label, value); the same labels on every sample of a family
    """

    name: str
    kind: str
    help: str
    value: float | None
    labels: tuple[tuple[str, str], ...] = ()
