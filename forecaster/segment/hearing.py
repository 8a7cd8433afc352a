"""How a source tells of runs, for whoever asks what one that was not seen means."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Hearing:
    """What one run source can miss.

    sample_s : float — interval between its samples [s]; 0 where it reports on change, or where that is not known. Of a
        counter, the interval in which it may count several runs as one
    short_share : float — share, 0..1, of the newest runs that it caught with one sample, or missed
    whole_ms : int | None — since when nothing is missing of what it should have reported, UTC milliseconds; 0 for ever;
        None where it can lose a report without a trace
    """

    sample_s: float = 0.0
    short_share: float = 0.0
    whole_ms: int | None = None
