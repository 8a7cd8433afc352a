"""Checkpoints, written for a slice of the sites at a time and so spread over the interval.

What has not changed is not written again: for an engine that has heard nothing only the cursor is, for an unchanged
alarm manager nothing. States are compressed with zlib (RFC 1950).
"""

from __future__ import annotations

import time
import zlib
from collections.abc import Callable, Mapping

from forecaster.domain.ports import Clock, Ledger
from forecaster.domain.records import Checkpoint
from forecaster.live.cursor import CursorGroup
from forecaster.live.site_runner import SITE_FAULTS, SiteRunner

CHECKPOINT_S = 600.0
"""Time in which every site is written once [s]."""

SOON_S, SOON_SHARE = 60.0, 0.02
"""The same where others may have to take the sites up at any moment: so often, or as often as takes this share of the
time. What was heard since has to be read and folded again by whoever takes them up."""

SLICE = 250
"""Sites written at a time: each takes some milliseconds of the forecaster's thread."""

Blame = Callable[[SiteRunner, Exception], None]


class CheckpointWriter:
    """Writes checkpoints of runners. Owned by the forecaster's thread.

    blame : called with a runner that cannot be kept, and why
    often : bool — every SOON_S rather than every CHECKPOINT_S, as far as SOON_SHARE of the time allows
    """

    def __init__(
        self, runners: Mapping[str, SiteRunner], ledger: Ledger, clock: Clock, blame: Blame, *, often: bool = False
    ) -> None:
        self._often, self._took_s = often, 0.0
        self._ledger, self._clock, self._blame = ledger, clock, blame
        self._slices: list[list[SiteRunner]] = []
        self._next = 0
        self.deal(runners)
        self._due_s = time.monotonic() + self._rest_s()

    def _rest_s(self) -> float:
        """Time from one slice to the next [s]."""
        each_s = CHECKPOINT_S / len(self._slices)
        return min(each_s, max(SOON_S / len(self._slices), self._took_s / SOON_SHARE)) if self._often else each_s

    def deal(self, runners: Mapping[str, SiteRunner]) -> None:
        """Write these runners from now on."""
        count = max(1, -(-len(runners) // SLICE))
        slices: list[list[SiteRunner]] = [[] for _ in range(count)]
        for runner in runners.values():
            slices[zlib.crc32(runner.site.id.encode()) % count].append(runner)
        self._slices = slices
        self._next %= count

    def turn(self, standing: list[CursorGroup]) -> None:
        """Write the next slice, if it is time and all sites have reached the same cursor."""
        if len(standing) != 1 or time.monotonic() < self._due_s:
            return
        began_s = time.monotonic()
        self.keep(self._slices[self._next], standing[0].cursor)
        self._took_s = time.monotonic() - began_s
        self._next = (self._next + 1) % len(self._slices)
        self._due_s = time.monotonic() + self._rest_s()

    def all(self, standing: list[CursorGroup]) -> None:
        """Write every runner that has a cursor."""
        for group in standing:
            for part in self._slices:
                self.keep([runner for runner in part if runner.site.id in group.sites], group.cursor)

    def keep(self, runners: list[SiteRunner], cursor: str | None) -> None:
        """Keep engines and alarms with the cursor that they stand at. StoreError: they are kept the next time."""
        now_ms = self._clock.now_ms()
        sound = [runner for runner in runners if runner.fault is None]
        engines: list[Checkpoint] = []
        managers: list[Checkpoint] = []
        changed: list[SiteRunner] = []
        for runner in sound:
            try:
                manager = runner.alarm_checkpoint(now_ms)
                if runner.changed:
                    engines.append(runner.engine_checkpoint(cursor, now_ms))
                    changed.append(runner)
                if manager.state != runner.kept_manager:
                    managers.append(manager)
            except SITE_FAULTS as error:
                self._blame(runner, error)
        quiet = [runner.site.id for runner in sound if not runner.changed]
        self._ledger.save_checkpoints("alarms", managers)
        self._ledger.save_checkpoints("engine", engines)
        self._ledger.advance_checkpoints("engine", quiet, cursor)
        for runner in changed:
            runner.changed = False
        by_site = {manager.site: manager.state for manager in managers}
        for runner in sound:
            runner.kept_manager = by_site.get(runner.site.id, runner.kept_manager)
