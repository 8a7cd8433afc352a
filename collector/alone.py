"""One process at a time in a folder, by the operating system's lock on the folder itself: a killed one leaves none."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Wait until no other process of this program is alone in the folder, and be so. OSError where it is not there."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)
