"""Samples of the pump minutes apart: they catch a run of seconds by chance, and not independently of one another.

The pump's cycle and the sampling are both nearly regular, so that they keep step for hours: such samples catch some
runs in a row, and then none for as long. A count of them strays further than that of independent catches.
"""

from __future__ import annotations

from forecaster.segment.tracker import Tracker

SELDOM_S = 90.0
"""Samples further apart than this miss the usual run of seconds [s] (common practice, no source)."""

CLUMP = 4.0
"""So many of such samples count as one catch (common practice, no source)."""

_COARSE, _FEW = 0.4, 3
"""Such sampling is taken for coarse until most of some runs were seen by two samples: two by chance catch two runs side
by side."""


def is_seldom(interval_ms: float | None) -> bool:
    """Whether samples are so far apart. interval_ms : float | None — usual interval [ms]; None: not known, or none"""
    return interval_ms is not None and interval_ms > 1000.0 * SELDOM_S


def misses_runs(tracker: Tracker) -> bool:
    """Whether a source is sampled so seldom that it must be taken to miss runs until it has seen most of them well."""
    return is_seldom(1000.0 * tracker.rhythm.sample_s) and (tracker.judged < _FEW or tracker.coarse > _COARSE)
