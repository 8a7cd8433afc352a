"""Disk space reserved for alarms: a file of zeros that is deleted when a full disk keeps an alarm from being committed.

Readings and forecasts may have to wait until the owner has freed the disk; the message that it is full must not.
"""

from __future__ import annotations

import logging
import shutil
from pathlib import Path

log = logging.getLogger("outlast.deliver")

SIZE_BYTES = 4 << 20
SPARE_BYTES = 8 * SIZE_BYTES
"""The file is written again only where this much is free [bytes]."""
NAME = "outlast-ballast"


class Ballast:
    """The ballast of an installation's folder.

    size_bytes, spare_bytes : int — size of the file, and the free space that must be left beside it [bytes]
    """

    def __init__(self, folder: Path, size_bytes: int = SIZE_BYTES, spare_bytes: int = SPARE_BYTES) -> None:
        self._file = folder / NAME
        self._size, self._spare = size_bytes, spare_bytes

    def keep(self) -> bool:
        """Write the file if it is missing and there is room for it. Returns whether it exists now."""
        try:
            if self._file.exists() and self._file.stat().st_size == self._size:
                return True
            if shutil.disk_usage(self._file.parent).free < self._spare:
                return False
            with self._file.open("wb") as file:
                for _ in range(self._size >> 16):
                    file.write(b"\0" * (1 << 16))
        except OSError as error:
            log.warning("no room can be kept for alarms: %s", error)
            return False
        return True

    def release(self) -> bool:
        """Delete the file. Returns whether there was one."""
        try:
            self._file.unlink()
        except OSError:
            return False
        log.error("an alarm could not be written: the room kept for it is given up")
        return True
