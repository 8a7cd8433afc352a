"""What lasts as long as the process is kept out of the garbage collector's walks."""

from __future__ import annotations

import gc


def spare_lasting() -> None:
    """Let the collector pass over all that lives now: with thousands of sites each of its walks takes a second."""
    gc.unfreeze()  # of what was spared before, some may be gone
    gc.collect()
    gc.freeze()
