"""The long record of a site: totals of each day, work that people did, and the results of studies of both.

Kept for ever, whatever `[retention]` says of readings and runs.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class RecordTable(StrEnum):
    """Tables of the long record that can be exported."""

    READINGS = "readings"
    RUNS = "runs"
    DAYS = "days"
    OUTAGES = "outages"
    FORECASTS = "forecasts"
    ALARMS = "alarms"


class ExportFormat(StrEnum):
    """How a table is written."""

    CSV = "csv"
    PARQUET = "parquet"
    JSONL = "jsonl"


@dataclass(frozen=True, slots=True)
class Day:
    """One calendar day of a site, in the site's own time zone. A number not known is None; a count is a count.

    pump : str — the name of the second pump, whose runs a day of its own is about: such a day tells neither weather
        nor pack; "" for the first, or the only one
    day : str — ISO date; start_ms, end_ms : int — its bounds, UTC milliseconds (23 to 25 hours)
    heard_s : float — time for which the source of runs was heard [s], at most the day's length
    sampled_s : float | None — median time between two readings of that source [s]
    runs : int — starts of the pump; measured : those whose length is a measurement rather than a bound
    samples : int — readings that caught the pump running: with sampled_s an unbiased running time, however coarse
    run_s, run_s2 : float — sum and sum of squares of the measured lengths [s, s²]
    cycles : int — runs with a whole wait before them; on_s, off_s : the sums of those runs and waits [s]
    off_s2 : float — sum of squares of those waits [s²]
    shortest_wait_s, median_wait_s, longest_wait_s : float | None — of those waits [s]
    at_once : int — restarts within a fifth of the day's median wait
    energy_wh : float | None — of the pump; power_w : mean running power [W], weighted by time
    peak_hour_s, peak_six_hours_s : float — longest running time within any clock hour, and any six in a row [s]
    water_l : float | None — water lifted [L], where the pit's drawdown volume is known
    rain_mm, temperature_c : float | None — rain that fell; mean temperature of the pack [°C]
    charge_low_percent, charge_high_percent : float | None — of the pack [%]
    on_pack_s : float — time on the pack [s]; fell_percent, pack_wh : charge lost and energy given meanwhile
    source : str | None — the quantity that runs were told from
    told : int — runs whose length is told, if only by one sample: in the mean without bias where none is missed
    told_s, told_s2 : float — sum and sum of squares of their lengths [s, s²]; single : how many one sample caught
    late : int — told runs after a wait of more than one and a half usual ones nearby; paired : the other told runs
        with a whole wait before; dry_s, dry_s2 : the same sums of their lengths less what flowed in meanwhile,
        run / (1 + run / wait) [s, s²]
    pace_per_s, pace2_per_s2 : float — sum and sum of squares of 1 / the usual wait around each of them [1/s, 1/s²]
    dry_pace : float — sum of the products of both
    """

    site: str
    day: str
    start_ms: int
    end_ms: int
    heard_s: float = 0.0
    sampled_s: float | None = None
    runs: int = 0
    measured: int = 0
    samples: int = 0
    run_s: float = 0.0
    run_s2: float = 0.0
    cycles: int = 0
    on_s: float = 0.0
    off_s: float = 0.0
    off_s2: float = 0.0
    shortest_wait_s: float | None = None
    median_wait_s: float | None = None
    longest_wait_s: float | None = None
    at_once: int = 0
    energy_wh: float | None = None
    power_w: float | None = None
    peak_hour_s: float = 0.0
    peak_six_hours_s: float = 0.0
    water_l: float | None = None
    rain_mm: float | None = None
    temperature_c: float | None = None
    charge_low_percent: float | None = None
    charge_high_percent: float | None = None
    on_pack_s: float = 0.0
    fell_percent: float | None = None
    pack_wh: float | None = None
    source: str | None = None
    told: int = 0
    told_s: float = 0.0
    told_s2: float = 0.0
    single: int = 0
    paired: int = 0
    dry_s: float = 0.0
    dry_s2: float = 0.0
    pace_per_s: float = 0.0
    pace2_per_s2: float = 0.0
    dry_pace: float = 0.0
    late: int = 0
    pump: str = ""


class HousePart(StrEnum):
    """The parts of a house that are watched over the years and that people work on."""

    PUMP_FLOW = "pump-flow"
    PUMP_POWER = "pump-power"
    FLOAT = "float"
    CHECK_VALVE = "check-valve"
    DISCHARGE_LINE = "discharge-line"
    PACK_CAPACITY = "pack-capacity"
    PACK_LOSSES = "pack-losses"
    TELEMETRY = "telemetry"


class PartState(StrEnum):
    """How a part of a house is; unknown where what is measured cannot tell."""

    GOOD = "good"
    WATCH = "watch"
    ACT = "act"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class PartTold:
    """A part as the newest study of the long record tells of it.

    says, do : str — texts that may know their key, so that they can be said in another language
    change : float | None — from its first weeks on, as a share of them
    pump : str — the name of the second pump, where it is a part of that one; else ""
    """

    part: HousePart
    state: PartState
    says: str
    do: str
    change: float | None
    pump: str = ""


class WorkKind(StrEnum):
    """Kinds of work after which the baseline of a part starts again."""

    CLEANED = "cleaned"
    NEW_PUMP = "new-pump"
    NEW_FLOAT = "new-float"
    NEW_VALVE = "new-valve"
    NEW_PACK = "new-pack"
    OTHER = "other"


CONCERNS: dict[WorkKind, tuple[HousePart, ...]] = {
    WorkKind.CLEANED: (HousePart.PUMP_FLOW, HousePart.PUMP_POWER, HousePart.DISCHARGE_LINE),
    WorkKind.NEW_PUMP: (HousePart.PUMP_FLOW, HousePart.PUMP_POWER, HousePart.DISCHARGE_LINE),
    WorkKind.NEW_FLOAT: (HousePart.FLOAT,),
    WorkKind.NEW_VALVE: (HousePart.CHECK_VALVE,),
    WorkKind.NEW_PACK: (HousePart.PACK_CAPACITY, HousePart.PACK_LOSSES),
}
"""The parts whose baseline starts again after each kind of work, the main one first; for OTHER the person names it. The
discharge line is judged by the flow, so another pump begins its baseline too."""


@dataclass(frozen=True, slots=True)
class WorkDone:
    """Work on a house.

    at_ms : int — when it was done, UTC milliseconds; noted_ms : when it was told
    kind : WorkKind; part : HousePart | None — what it concerned, for OTHER
    did : str — what was done, in the words of the person who recorded it; by : that person
    pump : str — the name of the second pump, where it was done on that one; "" for the first, or the only one
    """

    id: str
    site: str
    at_ms: int
    kind: WorkKind
    did: str
    by: str
    noted_ms: int
    part: HousePart | None = None
    pump: str = ""

    @property
    def concerns(self) -> tuple[HousePart, ...]:
        """The parts whose baseline starts again, the main one first."""
        if self.part is not None:
            return (self.part,)
        return CONCERNS.get(self.kind, ())


@dataclass(frozen=True, slots=True)
class StudyRecord:
    """The result of a study of the long record: a dated JSON document.

    kind : str — which study, as "health"; as_of_ms : the end of the record that it looked at, UTC milliseconds
    problem : str | None — why the newest attempt failed, where it did; the document is then the last good one
    """

    site: str
    kind: str
    as_of_ms: int
    made_ms: int
    document: str
    problem: str | None = None
