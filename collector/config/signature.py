"""Whether a site file has changed, told without reading one."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

WATCH_SHARE = 0.005
"""Share of a processor that looking for changed site files may take; with thousands of files it is done less often."""

Signature = tuple[tuple[str, int, int], ...]


def rest_after(spent_s: float, least_s: float) -> float:
    """How long to wait after a look that took so much processor time, at least `least_s` [s]."""
    return max(least_s, spent_s / WATCH_SHARE)


def signature(folder: Path) -> Signature:
    """Name, size and modification time of every site file; it differs when any of them has changed."""
    return tuple(sorted(_facts(folder)))


def _facts(folder: Path) -> Iterator[tuple[str, int, int]]:
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.name.endswith(".toml"):
                    with suppress(FileNotFoundError):  # gone since the folder was read
                        status = entry.stat()
                        yield entry.name, status.st_size, status.st_mtime_ns
    except FileNotFoundError:
        return
