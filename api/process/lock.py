"""Only one process may run each part of an installation: it locks the data folder for as long as it lives.

A second `outlast run` would take over the first one's broker session and record alarms twice. The lock is the
operating system's (flock), so a killed process leaves none behind.
"""

from __future__ import annotations

import fcntl
import os
from contextlib import ExitStack, suppress
from pathlib import Path

from api.process.parts import Part
from collector.share import Share
from forecaster.domain.errors import ConfigError, UsageError
from forecaster.texts.catalogue import Said

LOCKED = (Part.COLLECT, Part.FORECAST, Part.STUDY)
"""The parts that each share may run once; any number of processes may serve."""

PLACES = 32
"""Most members of a part from one folder."""


class InstallationLock:
    """The lock, taken when the object is made. UsageError where another process has it; ConfigError where the folder
    cannot be written.

    folder : Path — of the installation's data
    place : int — among the members that run from this folder, from 1, and so part of this one's name; 0: it joins none
    """

    def __init__(self, folder: Path, parts: frozenset[Part], share: Share, *, joins: bool = False) -> None:
        self._held = ExitStack()
        self.place = 0
        try:
            for part in (part for part in LOCKED if part in parts):
                whole = share.count == 1 and not joins
                self._take(folder / f"outlast-{part}.lock", part, exclusive=whole)
                if joins:
                    self.place = self._first_place(folder, part)
                elif not whole:
                    self._take(folder / f"outlast-{part}-{share.number}-{share.count}.lock", part, exclusive=True)
        except (UsageError, ConfigError):
            self.release()
            raise

    def _first_place(self, folder: Path, part: Part) -> int:
        """The first place that no other member of this folder has, counted from 1. UsageError."""
        for place in range(1, PLACES):
            with suppress(UsageError):
                self._take(folder / f"outlast-{part}-member-{place}.lock", part, exclusive=True)
                return place
        self._take(folder / f"outlast-{part}-member-{PLACES}.lock", part, exclusive=True)
        return PLACES

    def _take(self, path: Path, part: Part, *, exclusive: bool) -> None:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            problem = Said("config.it_cannot_be_written_2", strerror=error.strerror)
            raise ConfigError(str(path), "", problem, Said("config.mend_the_owner_of_that_folder")) from error
        self._held.callback(os.close, handle)
        try:
            fcntl.flock(handle, (fcntl.LOCK_EX if exclusive else fcntl.LOCK_SH) | fcntl.LOCK_NB)
        except BlockingIOError as error:
            holder = os.read(handle, 32).decode("ascii", errors="replace").strip()
            named = Said("config.process", holder=holder) if holder.isdecimal() else ""
            raise UsageError(
                Said("config.another_outlast_runs_on_already_and", parent=path.parent, named=named, part=part),
                Said("config.end_that_one_first_or_give"),
            ) from error
        if exclusive:
            os.truncate(handle, 0)
            os.pwrite(handle, str(os.getpid()).encode(), 0)

    def release(self) -> None:
        """Release the lock."""
        self._held.close()
