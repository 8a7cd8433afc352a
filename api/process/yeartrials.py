"""Changed limits tried on the stored readings of a year, each in a gentle child process that somebody looks in on."""

from __future__ import annotations

import subprocess
import tempfile
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock

import msgspec

from api.process.children import child_command, child_environment, make_way
from collector.editing.keep import site_path, stamp_of
from forecaster.decoding.typed import from_json
from forecaster.domain.errors import Conflict, NotFound
from forecaster.texts.catalogue import Said

GENTLE = 10
"""How far a child stands back for others (nice): somebody waits for it, so not as far as it goes."""

LIMIT_S = 1800.0
"""How long a child may run [s]: twice the time after which it ends by itself."""

RESULT, PROGRESS = "result.json", "progress"
"""Files of a trial beside the site file that it tries."""

MOST_KEPT = 8
"""Most results that are kept; the oldest go first."""


class RaisedThen(msgspec.Struct, frozen=True):
    """An alarm that a set of limits would have raised. raised, cleared : RFC 3339; None: it stood at the end"""

    kind: str
    priority: str
    raised: str
    cleared: str | None
    told: bool


class YearResult(msgspec.Struct, frozen=True, rename={"start": "from", "end": "to"}):
    """What `outlast alarms preview --record` found: with the limits as they are, and with those that are tried.

    start, end : str | None — what was replayed; None: nothing is stored
    whole : bool — whether it is all of the record of the last year
    """

    start: str | None
    end: str | None
    whole: bool
    readings: int
    not_tried: list[str]
    alarms: list[list[RaisedThen]]


@dataclass(slots=True)
class YearTrial:
    """Limits that are tried, or were. form : the form that asked for them, so that it can be saved from the result"""

    form: Mapping[str, str]
    child: subprocess.Popen[bytes]
    place: tempfile.TemporaryDirectory[str]
    until_s: float
    result: YearResult | None = None

    @property
    def running(self) -> bool:
        """Whether it is still being tried; a child that takes too long is ended."""
        if self.child.poll() is None and time.monotonic() >= self.until_s:
            self.child.kill()
            self.child.wait()
        return self.child.poll() is None

    @property
    def failed(self) -> bool:
        """Whether the child ended without a result."""
        return not self.running and self.child.returncode != 0

    def found(self) -> YearResult | None:
        """The result, once there is one."""
        if self.result is None and not self.running and self.child.returncode == 0:
            self.result = from_json((Path(self.place.name) / RESULT).read_bytes(), YearResult)
        return self.result

    def told(self) -> str:
        """What the child said last, in a line: how far it has come, or why it failed."""
        lines = (Path(self.place.name) / PROGRESS).read_text(encoding="utf-8", errors="replace").split("\n")
        return next((line.strip() for line in reversed(lines) if line.strip()), "")

    def close(self) -> None:
        """End the child, and forget its result."""
        if self.child.poll() is None:
            self.child.kill()
        self.child.wait()
        self.place.cleanup()


@dataclass(slots=True)
class YearTrials:
    """The trials of a process, by site and stamp of the site file that is tried; one runs at a time."""

    folder: Path
    _kept: dict[tuple[str, str], YearTrial] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)

    def begin(self, site: str, text: str, form: Mapping[str, str]) -> str:
        """Try the limits of a site file on the year; the same file is tried once. Returns its stamp.

        Errors: Conflict where another trial runs; OSError where no child can be started.
        """
        stamp = stamp_of(text)
        with self._lock:
            standing = self._kept.get((site, stamp))
            if standing is not None and not standing.failed:
                return stamp
            if any(trial.running for trial in self._kept.values()):
                raise Conflict(Said("edit.year.busy"), Said("edit.year.busy_mend"))
            for key in list(self._kept)[: len(self._kept) - MOST_KEPT + 1]:
                self._kept.pop(key).close()
            self._kept[site, stamp] = self._started(site, text, form)
        return stamp

    def _started(self, site: str, text: str, form: Mapping[str, str]) -> YearTrial:
        place = tempfile.TemporaryDirectory(prefix="outlast-")
        tried = Path(place.name) / f"{site}.toml"
        tried.write_text(text, encoding="utf-8")
        command = child_command(
            "alarms", "preview", "--record", "--json", "--config", str(self.folder),
            "--site", str(site_path(self.folder, site)), "--limits-of", str(tried),
        )  # fmt: skip
        with (Path(place.name) / RESULT).open("wb") as out, (Path(place.name) / PROGRESS).open("wb") as progress:
            child = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=out, stderr=progress, env=child_environment()
            )
        make_way(child.pid, GENTLE)
        return YearTrial(dict(form), child, place, time.monotonic() + LIMIT_S)

    def trial(self, site: str, stamp: str) -> YearTrial:
        """A trial that was begun. NotFound where it is not known, as after a new start of the program."""
        with self._lock:
            found = self._kept.get((site, stamp))
        if found is None:
            raise NotFound(Said("edit.year.gone"))
        return found

    def close(self) -> None:
        """End what runs."""
        with self._lock:
            for trial in self._kept.values():
                trial.close()
            self._kept.clear()
