"""Room kept for alarms on a disk that fills up: a file of zeros that is given up when an alarm cannot be committed.

Readings and forecasts may have to wait for an owner to mend the disk; the message that it is full must not.
"""

from __future__ import annotations

import logging
import shutil
from pathlib import Path

log = logging.getLogger("outlast.deliver")

SIZE_BYTES = 4 << 20
SPARE_BYTES = 8 * SIZE_BYTES
"""The ballast is laid down again only where this much is free."""
NAME = "outlast-ballast"


class Ballast:
    """The ballast of an installation's folder.

    size_bytes, spare_bytes : int — how much is kept, and how much must be free to keep it
    """

    def __init__(self, folder: Path, size_bytes: int = SIZE_BYTES, spare_bytes: int = SPARE_BYTES) -> None:
        self._file = folder / NAME
        self._size, self._spare = size_bytes, spare_bytes

    def keep(self) -> bool:
        """Lay the ballast down where it is missing and there is room for it; whether it is there."""
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
        """Give the room up; whether there was any."""
        try:
            self._file.unlink()
        except OSError:
            return False
        log.error("an alarm could not be written: the room kept for it is given up")
        return True
