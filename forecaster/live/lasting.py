"""What lasts as long as the process is kept out of the garbage collector's walks."""

from __future__ import annotations

import gc

SELDOM = (10_000, 20, 20)
"""Objects that are made between two walks through the youngest, and such walks between two through the older ones: not
often enough for the walks to be felt, often enough that what they find stays below some megabytes."""


def spare_lasting() -> None:
    """Let the collector pass over all that lives now: with thousands of sites each of its walks takes a second."""
    gc.unfreeze()  # of what was spared before, some may be gone
    gc.collect()
    gc.freeze()
    gc.set_threshold(*SELDOM)
