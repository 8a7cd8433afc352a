"""What the engine observes of a site at one moment: beside the forecast, the evidence for alarm rules and pages."""

from __future__ import annotations

from dataclasses import dataclass

from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Run, Supply


@dataclass(frozen=True, slots=True)
class Spread:
    """A learnt normal: median, and the 5 and 95 % points of what was seen; count of what it rests on."""

    p05: float
    p50: float
    p95: float
    count: int


@dataclass(frozen=True, slots=True)
class QuantityAge:
    """One measured quantity: its latest value and how long ago it was measured [s]; None: never heard."""

    quantity: Quantity
    subject: str
    value: float | None
    age_s: float | None
    max_silence_s: float
    silent: bool


ASLEEP_W = 2.0
"""An output below this is off or asleep [W]."""

MOST_SHORT = 0.2
"""Share of runs caught with a single sample, or missed, above which one that is not seen may be missed by chance, and
the lengths that are measured are those of the longer runs."""


@dataclass(frozen=True, slots=True)
class SiteStatus:
    """Observables of one site at one moment. None is "not known", never zero.

    at_ms : int — the moment, UTC milliseconds
    supply, supply_inferred, supply_since_ms — who carries the pump, whether inferred, since when
    supply_returning : bool — on the pack: a sensor says that the mains is back, and has not said it for long enough
    data_age_s : float | None — age of the newest reading of a quantity that tells of the pump or the pack [s]
    silent : bool — telemetry silent for longer than the site's normal rhythm explains
    running_since_ms : int | None — start of the run that lasts now; None: not running
    last_run : Run | None — newest finished run
    run_s_normal, running_w_normal, cycles_per_hour_normal : Spread | None — the site's learnt normal
    run_s_recent : float | None — median length of the newest measured runs [s]; None before there are nine
    dry_run_s_normal, dry_run_s_recent — the same two of how long runs had lasted with no water coming meanwhile: the
        run times the share of its cycle in which the pump rests, for the pump lifts what stands and what comes
    flow_share : float | None — flow of the newest runs over the usual one, by drawdown over run and wait; 1 where they
        differ by no more than their scatter; None before enough is known
    cycles_per_hour_lately : float | None — mean starts an hour over the last twelve whole hours
    cycles_last_hour : int — starts within the last hour
    overdue : float | None — probability, 0..1, that a run would have come by now given inflow and its spread;
        near 1 when a run is overdue by far more than its spread. None: not known
    waits : float | None — usual waits between runs that have passed since waiting_since_ms; where the sampling misses
        runs, usual waits between signs of them
    interval_spread : float | None — relative spread of the interval between starts of runs
    waiting_since_ms : int | None — start of the newest run, or the newest sign of one
    run_source : Quantity | None — the source that runs are told from now; None: all are silent
    runs_apart : bool — runs are seen one by one: the source told now is not too coarse for it
    sample_s : float — usual interval between samples of that source [s]; 0 where it reports on change or is not known
    short_share : float — share, 0..1, of the newest runs that it caught with one sample, or missed
    whole_ms : int | None — since when nothing is missing of what it should have reported, UTC milliseconds; 0 for ever;
        None where it can lose a report without a trace
    lost_share : float — share, 0..1, of the newest thousands of runs that were not seen, though those about them were
    untraced_share : float — share, 0..1, of them that were lost though nothing was missing of what was to be reported
    spans_heard : int — stretches of pumping that the belief about the inflow rests on
    steady : bool — until the next run a forecast reads no more into the pump's silence: runs are seen one by one, and
        the next is not overdue by so much that less water must be coming
    power_pinned : bool — running power sits at the pack's continuous rating
    output_rests : bool — the output gives nothing now, as it has done before and ended by itself
    pack_output_w, pack_input_w, pack_temperature_c, charge_percent : float | None — latest values if fresh
    charge_rate_percent_per_h : float | None — slope over the last half hour or so
    charge_stood_s : float | None — how long the charge has been heard without a change [s]; None where it is not fresh
    pack_carrying : bool | None — on the pack: whether its output is seen to carry anything when due; None: not known
    frozen : tuple[Quantity, ...] — quantities whose value has not moved at all while it must have
    high_water : bool | None
    high_water_was_ms : tuple[int, int] | None — a float that is down again: from when to when it had been up since the
        alarms last looked, UTC milliseconds
    clock_suspect : str | None — why the clock cannot be trusted
    ages : tuple[QuantityAge, ...] — one entry a channel quantity
    first_run_on_pack : Run | None — first run after the last transfer to the pack: did it start, how hard
    """

    site: str
    at_ms: int
    supply: Supply
    supply_inferred: bool
    supply_since_ms: int | None
    data_age_s: float | None
    silent: bool
    running_since_ms: int | None = None
    last_run: Run | None = None
    run_s_normal: Spread | None = None
    run_s_recent: float | None = None
    dry_run_s_normal: Spread | None = None
    dry_run_s_recent: float | None = None
    cycles_per_hour_lately: float | None = None
    running_w_normal: Spread | None = None
    cycles_per_hour_normal: Spread | None = None
    cycles_last_hour: int = 0
    overdue: float | None = None
    power_pinned: bool = False
    pack_output_w: float | None = None
    output_rests: bool = False
    pack_input_w: float | None = None
    pack_temperature_c: float | None = None
    charge_percent: float | None = None
    charge_rate_percent_per_h: float | None = None
    pack_carrying: bool | None = None
    frozen: tuple[Quantity, ...] = ()
    high_water: bool | None = None
    high_water_was_ms: tuple[int, int] | None = None
    clock_suspect: str | None = None
    ages: tuple[QuantityAge, ...] = ()
    first_run_on_pack: Run | None = None
    last_test_ms: int | None = None
    waits: float | None = None
    interval_spread: float | None = None
    waiting_since_ms: int | None = None
    spans_heard: int = 0
    steady: bool = False
    run_source: Quantity | None = None
    runs_apart: bool = False
    sample_s: float = 0.0
    short_share: float = 0.0
    whole_ms: int | None = None
    lost_share: float = 0.0
    untraced_share: float = 0.0
    charge_stood_s: float | None = None
    flow_share: float | None = None
    supply_returning: bool = False
