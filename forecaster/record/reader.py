"""A site's long record, read from the stores as data frames: whole, or a stretch at a time where it is much."""

from __future__ import annotations

from collections.abc import Iterator
from functools import reduce

import pandas as pd

from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.quantities import SPECS, Quantity
from forecaster.domain.runs import Outage, Run
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS
from forecaster.outage.story import outages_told
from forecaster.record.frames import (
    INDEX,
    TIME,
    alarms_frame,
    days_frame,
    forecasts_frame,
    outages_frame,
    runs_frame,
    times,
)

PAGE = 5_000
STRETCH_MS = 7 * DAY_MS
"""Span of runs or forecasts that is read at once [ms]."""

UNIT_NAMES = {"W": "w", "A": "a", "Wh": "wh", "m": "m", "%": "percent", "V": "v", "degC": "c", "mm": "mm",
              "mm/hour": "mm_per_h", "": ""}  # fmt: skip


class Record:
    """What is on record of a site. All spans are [start_ms, end_ms), UTC milliseconds; every frame is oldest first.

    Errors: those of the stores.
    """

    def __init__(self, site: Site, store: ReadingStore, ledger: Ledger) -> None:
        self.site, self._store, self._ledger = site, store, ledger

    # -- whole
    def runs(self, start_ms: int, end_ms: int) -> pd.DataFrame:
        """Runs that start in a span, one a row, those of the second pump after the first one's; see `frames.RUNS`."""
        return runs_frame(run for pump in self.pumps for run in self.each_run(start_ms, end_ms, pump))

    def days(self, start_ms: int, end_ms: int) -> pd.DataFrame:
        """The daily table, that of the second pump after the first one's; see `forecaster.domain.longrecord.Day`."""
        return days_frame(day for pump in self.pumps for day in self._ledger.days(self.site.id, start_ms, end_ms, pump))

    def outages(self, start_ms: int, end_ms: int) -> pd.DataFrame:
        """Outages that began in a span; see `frames.OUTAGES`."""
        return outages_frame(self.each_outage(start_ms, end_ms))

    def forecasts(self, start_ms: int, end_ms: int) -> pd.DataFrame:
        """Past forecasts; see `frames.FORECASTS`."""
        return pd.concat(list(self.stretches("forecasts", start_ms, end_ms)) or [forecasts_frame(())])

    def alarms(self, start_ms: int, end_ms: int) -> pd.DataFrame:
        """Alarms raised in a span; see `frames.ALARMS`."""
        found = self._ledger.alarms(self.site.id, limit=1_000_000)
        raised = sorted((a for a in found if start_ms <= a.raised_ms < end_ms), key=lambda a: (a.raised_ms, a.id))
        return alarms_frame(raised)

    def readings(self, start_ms: int, end_ms: int) -> pd.DataFrame:
        """Every reading: a row for each moment, a column for each channel, NaN where it said nothing then."""
        columns = [self._column(quantity, subject, start_ms, end_ms) for quantity, subject in self._measured()]
        if not columns:
            return pd.DataFrame(index=pd.DatetimeIndex(times([]), name=INDEX))
        return reduce(lambda left, right: left.join(right, how="outer"), columns)

    # -- one after the other
    def each_run(self, start_ms: int, end_ms: int, pump: str = "") -> Iterator[Run]:
        """Runs that start in a span, oldest first, a stretch in memory at a time; pump : "" for the first."""
        for first in range(start_ms, end_ms, STRETCH_MS):
            found: list[Run] = []
            cursor: str | None = None
            while True:
                page = self._ledger.runs(self.site.id, first, min(first + STRETCH_MS, end_ms), PAGE, cursor, pump)
                found += page.runs
                cursor = page.cursor
                if cursor is None:
                    break
            yield from reversed(found)

    def each_outage(self, start_ms: int, end_ms: int) -> Iterator[Outage]:
        """Outages that began in a span, oldest first; one in progress as it was at the end of the span."""
        yield from reversed(outages_told(self._store, self._ledger, self.site, end_ms, 100_000, start_ms, end_ms))

    def stretches(self, what: str, start_ms: int, end_ms: int) -> Iterator[pd.DataFrame]:
        """A table as consecutive frames, so that years of it need little memory.

        what : str — readings, runs, days, outages, forecasts or alarms
        """
        if what in {"days", "outages", "alarms"}:
            whole = {"days": self.days, "outages": self.outages, "alarms": self.alarms}[what]
            yield whole(start_ms, end_ms)
            return
        step = DAY_MS if what == "readings" else STRETCH_MS
        part = {"readings": self.readings, "runs": self.runs, "forecasts": self._forecasts}[what]
        for first in range(start_ms, end_ms, step):
            yield part(first, min(first + step, end_ms))

    def first_ms(self, end_ms: int) -> int | None:
        """When the first run on record began [UTC ms], of whichever pump; None: there is none."""
        found = []
        for pump in self.pumps:
            daily = self._ledger.run_totals(self.site.id, 0, end_ms, -(-end_ms // DAY_MS), pump)
            if daily:
                found.append(next(self.each_run(daily[0].start_ms, end_ms, pump)).start_ms)
        return min(found, default=None)

    @property
    def pumps(self) -> tuple[str, ...]:
        """The pumps as runs and days name them."""
        second = self.site.second_pump
        return ("",) if second is None else ("", second.id)

    def _forecasts(self, start_ms: int, end_ms: int) -> pd.DataFrame:
        return forecasts_frame(self._ledger.forecasts(self.site.id, start_ms, end_ms, limit=1_000_000))

    def _measured(self) -> list[tuple[Quantity, str]]:
        return list(dict.fromkeys((channel.quantity, channel.of) for channel in self.site.channels))

    def _column(self, quantity: Quantity, subject: str, start_ms: int, end_ms: int) -> pd.DataFrame:
        points = self._store.series(self.site.id, quantity, start_ms, end_ms, subject=subject)
        index = pd.DatetimeIndex(times([point.time_ms for point in points]), name=INDEX)
        return pd.DataFrame(
            {column_name(quantity, subject): pd.Series([p.mean for p in points], dtype="float64", index=index)}
        )


def column_name(quantity: Quantity, subject: str = "") -> str:
    """A reading's column: quantity, subject where it has one, unit, as `load_power_router_w`."""
    parts = (quantity.value, subject.replace("-", "_"), UNIT_NAMES[SPECS[quantity].unit])
    return "_".join(part for part in parts if part)


__all__ = ["INDEX", "TIME", "Record", "column_name"]
