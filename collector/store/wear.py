"""Bytes written to the disk by an SQLite file's commits: the frames of its write-ahead log, counted after each.

Source: the file format, https://www.sqlite.org/fileformat2.html#the_write_ahead_log. Folding the log into the file
writes at most as much again, and is not counted.
"""

from __future__ import annotations

import os
from pathlib import Path

HEADER_BYTES = 32
FRAME_HEADER_BYTES = 24
SALTS = slice(16, 24)
FRAME_SALT_AT = 8


class WalMeter:
    """Counts what the single writer of a file adds to its log. Read it after every commit; not safe for threads.

    path : Path — the database file; frames that are already in its log are not counted

    The log file itself has no locks, so opening and closing it here releases none.
    """

    def __init__(self, path: Path) -> None:
        self._path = path.with_name(path.name + "-wal")
        self._salts = b""
        self._frames = 0
        self.written_bytes = 0
        self.read()
        self.written_bytes = 0

    def read(self) -> None:
        """Count the frames written since the last call. A restarted log has other salts and counts from its start."""
        try:
            log = os.open(self._path, os.O_RDONLY)
        except OSError:
            return
        try:
            header = os.pread(log, HEADER_BYTES, 0)
            if len(header) < HEADER_BYTES:
                return
            if header[SALTS] != self._salts:
                self._salts, self._frames = header[SALTS], 0
            frame_bytes = FRAME_HEADER_BYTES + int.from_bytes(header[8:12], "big")
            before = self._frames
            while os.pread(log, 8, HEADER_BYTES + self._frames * frame_bytes + FRAME_SALT_AT) == self._salts:
                self._frames += 1
            self.written_bytes += (self._frames - before) * frame_bytes
        finally:
            os.close(log)
