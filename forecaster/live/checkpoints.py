"""Checkpoints, a slice of the sites at a time and spread over the time between two of the same site.

What has not changed since it was kept is not written again: of an engine that heard nothing the cursor alone, of an
alarm desk that stands as it stood nothing. States are kept as zlib (RFC 1950).
"""

from __future__ import annotations

import time
import zlib
from collections.abc import Callable, Mapping

from forecaster.domain.ports import Checkpoint, Clock, Ledger
from forecaster.live.cursor import Lot
from forecaster.live.site_runner import SITE_FAULTS, Seat

CHECKPOINT_S = 600.0
SLICE = 250
"""Sites kept in one go: their engines stand still for it, some milliseconds each."""

Blame = Callable[[Seat, Exception], None]


class Keeper:
    """Writes checkpoints of seats. Owned by the forecaster's thread.

    blame : called with a seat that cannot be kept, and why
    """

    def __init__(self, seats: Mapping[str, Seat], ledger: Ledger, clock: Clock, blame: Blame) -> None:
        self._ledger, self._clock, self._blame = ledger, clock, blame
        count = max(1, -(-len(seats) // SLICE))
        slices: list[list[Seat]] = [[] for _ in range(count)]
        for seat in seats.values():
            slices[zlib.crc32(seat.site.id.encode()) % count].append(seat)
        self._slices = slices
        self._next = 0
        self._due_s = time.monotonic() + CHECKPOINT_S / count

    def turn(self, standing: list[Lot]) -> None:
        """Keep the next slice, when it is time and all sites stand at one cursor."""
        if len(standing) != 1 or time.monotonic() < self._due_s:
            return
        self.keep(self._slices[self._next], standing[0].cursor)
        self._next = (self._next + 1) % len(self._slices)
        self._due_s = time.monotonic() + CHECKPOINT_S / len(self._slices)

    def all(self, standing: list[Lot]) -> None:
        """Keep every seat that stands somewhere."""
        for lot in standing:
            for part in self._slices:
                self.keep([seat for seat in part if seat.site.id in lot.sites], lot.cursor)

    def keep(self, seats: list[Seat], cursor: str | None) -> None:
        """Keep engines and desks together with the cursor they stand at. StoreError; then they are kept next time."""
        now_ms = self._clock.now_ms()
        sound = [seat for seat in seats if seat.fault is None]
        engines: list[Checkpoint] = []
        desks: list[Checkpoint] = []
        changed: list[Seat] = []
        for seat in sound:
            try:
                desk = seat.desk_checkpoint(now_ms)
                if seat.changed:
                    engines.append(seat.engine_checkpoint(cursor, now_ms))
                    changed.append(seat)
                if desk.state != seat.kept_desk:
                    desks.append(desk)
            except SITE_FAULTS as error:
                self._blame(seat, error)
        quiet = [seat.site.id for seat in sound if not seat.changed]
        self._ledger.save_checkpoints("alarms", desks)
        self._ledger.save_checkpoints("engine", engines)
        self._ledger.advance_checkpoints("engine", quiet, cursor)
        for seat in changed:
            seat.changed = False
        by_site = {desk.site: desk.state for desk in desks}
        for seat in sound:
            seat.kept_desk = by_site.get(seat.site.id, seat.kept_desk)
