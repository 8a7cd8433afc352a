"""An outage as a story: what the store and the ledger tell of it, gathered. Pages, the API and the command line say it.

A rehearsal is told the same way. Nothing is made up: what was not heard is None, and the gaps stand beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import msgspec

from forecaster.domain.alarms import Alarm, AlarmTransition
from forecaster.domain.errors import NotFound
from forecaster.domain.forecast import Quantiles
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.quantities import SPECS, Kind, Quantity
from forecaster.domain.records import Notice, StoredForecast
from forecaster.domain.runs import Outage, Run
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS, MINUTE_MS
from forecaster.engine.document import from_document
from forecaster.outage.heard import Heard, Span, heard
from forecaster.outage.runs import MOST_RUNS, all_runs
from forecaster.pack.together import house_series
from forecaster.texts.catalogue import Said
from forecaster.water.by_runs import inflow_steps

LATEST = "latest"
"""In place of an id: the outage that began last, rehearsals included."""

AFTER_MS = 2 * HOUR_MS
"""For so long after its end what is told still belongs to an outage: that the mains is back, and what became of it."""

LOOKS = 48
"""Looks at what was foreseen, spread over an outage."""

MOST_OUTAGES, MOST_CHANGES = 2_000, 1_000


@dataclass(frozen=True, slots=True)
class Foreseen:
    """What was foreseen at a moment: the hours that were left then, as a range, and what the pump lifted [L/min]."""

    at_ms: int
    hours: Quantiles
    pump_rate_l_per_min: float | None


@dataclass(frozen=True, slots=True)
class EnergyThrough:
    """Energy through an outage [Wh], each None where it was not measured.

    out_wh : out of the pack's outlet; pump_wh : of the pump alone, over its runs; in_wh : into the pack
    """

    out_wh: float | None
    pump_wh: float | None
    in_wh: float | None


@dataclass(frozen=True, slots=True)
class WaterTold:
    """Water through an outage.

    inflow_l, peak_l_per_min : float | None — what came in by the runs, and the most of any cycle; None: not known
    known_share : float — share of the outage for which the inflow is known, 0..1
    rain_mm : float | None — None where no channel measures it
    """

    runs: int
    run_s: float
    inflow_l: float | None
    peak_l_per_min: float | None
    known_share: float
    rain_mm: float | None


@dataclass(frozen=True, slots=True)
class OutageStory:
    """Everything that is told of one outage.

    until_ms : int — its end, or now while it lasts
    alarms : in the order in which they were raised; changes, notices : oldest first
    heard : how completely each channel was heard
    """

    site: Site
    outage: Outage
    until_ms: int
    alarms: tuple[Alarm, ...]
    changes: tuple[AlarmTransition, ...]
    notices: tuple[Notice, ...]
    foreseen: tuple[Foreseen, ...]
    energy: EnergyThrough
    water: WaterTold
    heard: tuple[Heard, ...]

    @property
    def runs_cut(self) -> bool:
        """Whether there may be more runs than are read, so that only the newest count."""
        return self.water.runs >= MOST_RUNS

    @property
    def lasted_h(self) -> float:
        """How long it lasted, or lasts so far [h]."""
        return (self.until_ms - self.outage.start_ms) / HOUR_MS

    @property
    def pump_rate_l_per_min(self) -> float | None:
        """What the pump lifted by the last forecast that knew it [L/min]."""
        return pump_rate(self.foreseen)

    @property
    def gaps(self) -> tuple[tuple[Heard, Span], ...]:
        """Every gap of every channel, oldest first."""
        return tuple(sorted(((one, gap) for one in self.heard for gap in one.gaps), key=lambda found: found[1]))


def outage_of(ledger: Ledger, site: str, outage_id: str) -> Outage:
    """The outage of a site that began at a moment [UTC milliseconds, as text], or the latest. NotFound."""
    for outage in ledger.outages(site, MOST_OUTAGES):
        if outage_id in (LATEST, str(outage.start_ms)):
            return outage
    raise NotFound(Said("usage.outage", identity=outage_id))


def story_of(store: ReadingStore, ledger: Ledger, site: Site, outage: Outage, now_ms: int) -> OutageStory:
    """The story of an outage as it is known now."""
    start_ms = outage.start_ms
    until_ms = max(start_ms + 1, now_ms if outage.end_ms is None else outage.end_ms)
    gaps = ledger.gaps(site.id, start_ms, until_ms)
    channels = tuple(
        heard(store, gaps, site.id, channel, start_ms, until_ms)
        for channel in site.channels
        if SPECS[channel.quantity].kind is not Kind.OUTLOOK
    )
    changes = _changes(ledger, site.id, outage, until_ms)
    alarms = _alarms(ledger, site.id, changes)
    runs = all_runs(ledger, site.id, start_ms, until_ms)
    foreseen = foreseen_in(ledger, outage, until_ms)
    return OutageStory(
        site, so_far(store, ledger, site, outage, until_ms), until_ms, alarms, changes,
        tuple(notice for notice in ledger.notices([alarm.id for alarm in alarms]) if notice.who),
        foreseen, _energy(outage, runs, channels),
        _water(site, foreseen, runs, channels, until_ms - start_ms), channels,
    )  # fmt: skip


def so_far(store: ReadingStore, ledger: Ledger, site: Site, outage: Outage, now_ms: int) -> Outage:
    """An outage in progress completed with its lowest charge so far and the forecast made an hour in."""
    if outage.end_ms is not None:
        return outage
    seen = house_series(store, site, Quantity.PACK_CHARGE, outage.start_ms, now_ms + 1, 1)
    lowest = seen[0].low if seen else outage.lowest_charge_percent
    kept = ledger.forecasts(outage.site, outage.start_ms + HOUR_MS, now_ms + 1, 1)
    hours = ranged(_foreseen(kept[0]).hours) if kept else None
    return replace(outage, lowest_charge_percent=lowest, forecast_h=hours or outage.forecast_h)


def outages_told(
    store: ReadingStore,
    ledger: Ledger,
    site: Site,
    now_ms: int,
    limit: int = 200,
    start_ms: int = 0,
    end_ms: int = 2**53,
) -> list[Outage]:
    """Outages that start in [start_ms, end_ms), newest first, one in progress as it is so far."""
    found = ledger.outages(site.id, limit, start_ms, end_ms)
    return [so_far(store, ledger, site, outage, now_ms) for outage in found]


def ranged(hours: Quantiles) -> tuple[float, float, float] | None:
    """The 10, 50 and 90 % hours, where all three are known."""
    if hours.p10 is None or hours.p50 is None or hours.p90 is None:
        return None
    return (hours.p10, hours.p50, hours.p90)


def foreseen_in(ledger: Ledger, outage: Outage, until_ms: int) -> tuple[Foreseen, ...]:
    """The first forecast kept in each step of an outage; steps without one are left out."""
    step_ms = max((until_ms - outage.start_ms) // LOOKS, 10 * MINUTE_MS)
    return tuple(
        _foreseen(kept)
        for begin_ms in range(outage.start_ms, until_ms, step_ms)
        for kept in ledger.forecasts(outage.site, begin_ms, min(begin_ms + step_ms, until_ms + 1), 1)
    )


def _foreseen(kept: StoredForecast) -> Foreseen:
    made = from_document(msgspec.json.decode(kept.document))
    return Foreseen(kept.issued_ms, made.hours_remaining, made.water.pump_rate_l_per_min)


def pump_rate(foreseen: Sequence[Foreseen]) -> float | None:
    """What the pump lifted by the last forecast that knew it [L/min]."""
    rates = [one.pump_rate_l_per_min for one in foreseen if one.pump_rate_l_per_min is not None]
    return rates[-1] if rates else None


def _changes(ledger: Ledger, site: str, outage: Outage, until_ms: int) -> tuple[AlarmTransition, ...]:
    """Changes of the alarms that were open during an outage or rose right after it, oldest first."""
    found = ledger.transitions(site, outage.start_ms - 1, until_ms + AFTER_MS, MOST_CHANGES)
    return tuple(sorted(found, key=lambda change: (change.at_ms, change.alarm.revision)))


def _alarms(ledger: Ledger, site: str, changes: Sequence[AlarmTransition]) -> tuple[Alarm, ...]:
    """The alarms that changed, as they are now, in the order in which they were raised."""
    newest = {change.alarm.id: change.alarm for change in changes}
    newest |= {alarm.id: alarm for alarm in ledger.alarms(site, limit=MOST_CHANGES) if alarm.id in newest}
    return tuple(sorted(newest.values(), key=lambda alarm: (alarm.raised_ms, -alarm.priority.rank)))


def _energy(outage: Outage, runs: Sequence[Run], channels: Sequence[Heard]) -> EnergyThrough:
    of_runs = [run.energy_wh for run in runs if run.energy_wh is not None]
    out, taken = (_integral(channels, one) for one in (Quantity.PACK_OUTPUT_POWER, Quantity.PACK_INPUT_POWER))
    used = outage.energy_used_wh
    return EnergyThrough(out if used is None else used, sum(of_runs) if of_runs else None, taken)


def _integral(channels: Sequence[Heard], quantity: Quantity) -> float | None:
    """The integral of a quantity, of several packs of all together [unit·h]; None where one of them is not known."""
    by = {one.subject: one.value_h for one in channels if one.quantity is quantity}
    known = [value for value in by.values() if value is not None]
    return sum(known) if known and len(known) == len(by) else None


def _water(
    site: Site, foreseen: Sequence[Foreseen], runs: Sequence[Run], channels: Sequence[Heard], lasted_ms: int
) -> WaterTold:
    steps, in_litres = inflow_steps(runs, site.pit, pump_rate(foreseen))
    known_ms = sum(stop - start for start, stop, _ in steps)
    told = in_litres and bool(steps)
    return WaterTold(
        len(runs), sum(run.run_s for run in runs),
        sum(value * (stop - start) / MINUTE_MS for start, stop, value in steps) if told else None,
        max(value for _, _, value in steps) if told else None,
        min(1.0, known_ms / lasted_ms) if told else 0.0, _rain_mm(channels),
    )  # fmt: skip


def _rain_mm(channels: Sequence[Heard]) -> float | None:
    for one in channels:
        if one.quantity is Quantity.RAIN_DEPTH and one.count:
            return one.total
    return next((one.value_h for one in channels if one.quantity is Quantity.RAIN_RATE), None)
