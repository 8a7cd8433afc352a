"""Rules about the pump and the pit. They compare with the site's learnt normal, and wait until enough is known."""

from __future__ import annotations

import math

from forecaster.alarms.evidence import HOLD, OFF, UNKNOWN, AlarmEvidence, Judgement, Verdict, compare, counter_wh
from forecaster.alarms.one_a_pump import pack_of, spent
from forecaster.domain.alarms import AlarmKind
from forecaster.domain.forecast import PackRole, PumpRole
from forecaster.domain.quantities import RUN_SOURCES
from forecaster.domain.runs import Supply
from forecaster.domain.site import Driven
from forecaster.domain.status import ASLEEP_W, MOST_SHORT, SiteStatus

ENOUGH_RUNS = 20
"""Runs that must have been observed before their length or power counts as the site's normal."""
ENOUGH_HOURS = 24
"""Hours that must have been observed before their count of starts counts as the site's normal."""
LEAST_OVERRUN_S = 120.0
"""A shorter run never counts as far too long [s]."""
LEAST_CYCLES_MISSED = 2.2
"""A pump is not taken for silent until this many usual cycles have passed since its last start."""
SOON_CYCLES, SOON_SHARE = 1.3, 0.5
"""Where the floor would be wet soon, a run is missed after so many usual waits, or after this share of the time from
when it was due to the wet floor, whichever is earlier. After so many waits only where it cannot have been lost: where
the source has reported all that it should since before the run was due. Where something is missing, it may have been
the run: not long after a second one was due the learnt limit tells."""
BEFORE_DUE = 0.6
"""A report that was lost in the first so many parts of the usual wait has hidden no run that was due."""
SURE_SPREADS, SURER_SPREADS = 2.5, 5.0
"""Nor before so many spreads of the site's own intervals beyond the usual wait: runs that come unevenly are not missed
by a third of a wait. The greater number holds for as long as less than half of the time to the wet floor has passed: a
float that hangs once is not a dead pump."""
ONE_SAMPLE, SEVERAL_SAMPLES = 1.5, 3.0
"""A run that lasts for so many intervals between samples leaves one at least, or several: those are not all lost."""
MOST_LOST = 1.0 / 20_000.0
"""A run that is not seen tells little where more than this share was lost in the same way before: a pump dies once in
several hundred thousand runs."""
CYCLES_BY_CHANCE = 3.2
"""Where a run can be missed by chance, so many usual cycles must have passed for a pump to be silent."""
LEAST_SAMPLES = 40
"""Where runs are shorter than the interval between samples, several in a row can look like one that does not end; no
pump is in step with its sampling for so many samples."""
SOON_MS = 60 * 60_000
"""Soon means that the floor will be wet within this time [ms]."""
SOON_DELAY_S = 20.0
LEAST_CYCLES_HEARD = 1.5
"""Nor until it has been heard for this many cycles without interruption: runs that fell into a gap are not missing."""
STORM_S, STORM_HOURS = 48 * 3600.0, 48
"""Starts of runs of the usual length are rapid only when they stay so for longer than a storm's peak, at a site whose
normal rests on so many hours."""
FALLING = 0.9
"""Fewer starts in the last hour than this share of the mean of twelve hours: the water recedes; backflow would not."""
LEAST_STARTS = 12
"""Fewer starts an hour than this never count as rapid."""
SHORT_RUN = 0.6
"""Runs below this share of the normal one move little water: a switch that chatters, or a leaking check valve. The
median of the newest is compared: a single one, sampled every ten seconds, is as easily 20 s as 30 s. And what a run
lasts beyond the water that comes meanwhile: after a storm's long runs the usual ones are not short."""
SHORT_RUN_FACTOR = 1.3
"""Short runs count as rapid from this multiple of the normal rate."""


def _dark(seen: AlarmEvidence) -> bool:
    """Whether the pump cannot be observed: silence, or a value that does not change."""
    return seen.blind or any(quantity in RUN_SOURCES for quantity in seen.status.frozen)


def _seen_running(seen: AlarmEvidence) -> bool:
    """Whether the run was still reported in its later half: a plug that fails during a run does not report its end.

    Reported by the source that told of its beginning: what else is heard does not say that the pump still runs.
    """
    started, source = seen.status.running_since_ms, seen.status.run_source
    ages = [age.age_s for age in seen.status.ages if age.quantity is source and age.age_s is not None]
    if started is None or not ages:
        return started is not None
    return min(ages) <= 0.5 * (seen.now_ms - started) / 1000.0


def high_water(seen: AlarmEvidence) -> Judgement:
    """The independent float is up, or was for longer than the delay and is down again before anybody looked."""
    wet, was = seen.status.high_water, seen.status.high_water_was_ms
    if wet is None:
        return UNKNOWN
    if wet:
        return Judgement(Verdict.ON)
    if was is not None and was[1] - was[0] >= 1000.0 * seen.row(AlarmKind.HIGH_WATER).on_delay_s:
        return Judgement(Verdict.ON, since_ms=was[0])
    return UNKNOWN if seen.status.silent else OFF


def pump_overrun(seen: AlarmEvidence) -> Judgement:
    """The present run lasts many times the longest normal one."""
    status, normal = seen.status, seen.status.run_s_normal
    if _dark(seen):
        return UNKNOWN
    if status.running_since_ms is None:
        return OFF
    if normal is None or normal.count < ENOUGH_RUNS or normal.p95 <= 0.0 or not _seen_running(seen):
        return UNKNOWN
    lasted_s = (seen.now_ms - status.running_since_ms) / 1000.0
    verdict = compare(seen.row(AlarmKind.PUMP_OVERRUN), lasted_s / normal.p95)
    if verdict is Verdict.ON and lasted_s < max(LEAST_OVERRUN_S, _merging_s(status)):
        return HOLD
    # only the end of the run clears
    return Judgement(verdict) if verdict is Verdict.ON else HOLD


def _merging_s(status: SiteStatus) -> float:
    """For how long runs that follow one another closely may look like one [s]; 0 where the samples tell them apart."""
    usual = status.run_s_normal
    return LEAST_SAMPLES * status.sample_s if usual is not None and usual.p50 < status.sample_s else 0.0


def pump_silent(seen: AlarmEvidence) -> Judgement:
    """A run is overdue by far more than the usual spread. A pack that carries nothing has an alarm of its own."""
    status = seen.status
    if _dark(seen) or status.clock_suspect is not None or output_is_off(seen) or _counted(seen):
        return UNKNOWN
    if status.running_since_ms is not None or any(pump.running for pump in seen.forecast.pumps):
        return OFF
    dead = status.supply is Supply.MAINS and not status.supply_inferred
    variant = "mains" if dead else "pack"
    missed_ms = missed_since_ms(seen)
    if missed_ms is not None:
        return Judgement(Verdict.ON, variant, since_ms=missed_ms, on_delay_s=SOON_DELAY_S)
    verdict = compare(seen.row(AlarmKind.PUMP_SILENT), status.overdue)
    if verdict is Verdict.ON and not long_overdue(seen):
        return HOLD
    return Judgement(verdict, variant)


def missed_since_ms(seen: AlarmEvidence) -> int | None:
    """Since when a run counts as missed because the floor will soon be wet [UTC milliseconds]; None: it does not.

    Only where runs are observed one by one: a run that the sampling misses by chance is not missing.
    """
    due, wet, since, spread = seen.due_ms, seen.wet_ms, seen.status.waiting_since_ms, seen.status.interval_spread
    if due is None or wet is None or since is None or spread is None:
        return None
    several = seen.status.sample_s > 0.0 and leaves_samples(seen.status, SEVERAL_SAMPLES)
    lost = None if several else may_be_lost(seen, since, due)
    if lost or by_chance(seen.status, traced=lost is False):
        return None
    halfway_ms, spread_ms = due + SOON_SHARE * (wet - due), spread * (due - since)
    if several or lost is False:
        soon_ms = max(since + SOON_CYCLES * (due - since), due + SURER_SPREADS * spread_ms)
        halfway_ms = min(soon_ms, halfway_ms)
    from_ms = int(max(halfway_ms, due + SURE_SPREADS * spread_ms))
    heard_all = seen.heard_ms <= since or seen.now_ms - seen.heard_ms >= from_ms - since
    if seen.now_ms < from_ms or wet - seen.now_ms > SOON_MS or not heard_all:
        return None
    return from_ms


def by_chance(status: SiteStatus, *, traced: bool) -> bool:
    """Whether a run can be missed by chance: by the sampling, or with a message, as has happened here before.

    traced : bool — only such losses count as left no trace
    """
    lost_share = status.untraced_share if traced else status.lost_share
    return not status.runs_apart or status.short_share > MOST_SHORT or lost_share > MOST_LOST


def leaves_samples(status: SiteStatus, intervals: float) -> bool:
    """Whether even a short run lasts for so many intervals between samples; reports on change have none."""
    usual = status.run_s_normal
    return usual is not None and usual.p05 >= intervals * status.sample_s


def may_be_lost(seen: AlarmEvidence, since_ms: int, due_ms: int) -> bool | None:
    """Whether a run that was due after a wait may have been lost. False: each leaves a sample or reports of its own, of
    which none was missing since before it was due, and the source has been heard since then. None: not known.
    """
    status = seen.status
    if status.whole_ms is None or not leaves_samples(status, ONE_SAMPLE):
        return None
    if status.whole_ms > since_ms + BEFORE_DUE * (due_ms - since_ms):
        return True
    ages = (age.age_s for age in status.ages if age.quantity is status.run_source and age.age_s is not None)
    return False if seen.now_ms - 1000.0 * min(ages, default=math.inf) >= due_ms else None


def second_pump_running(seen: AlarmEvidence) -> Judgement:
    """Of two pumps the second one lifts: the first one is dead or stuck, its own pack is spent, or alone it does not
    keep up. Where that pack is known to carry nothing, `pack-output-off` tells.
    """
    if not seen.forecast.pumps:
        return OFF
    first, second = seen.forecast.pumps
    if _dark(seen) or second.role is PumpRole.SILENT:
        return UNKNOWN
    if first.role is PumpRole.MISSING:
        behind = pack_of(seen, first.id)
        if behind is None:
            return Judgement(Verdict.ON, "water" if second.driven_by is Driven.WATER_PRESSURE else "")
        if behind.role is PackRole.OFF:
            return UNKNOWN
        return Judgement(Verdict.ON, "spent" if spent(seen, behind) else "apart")
    return Judgement(Verdict.ON, "beside") if second.role is PumpRole.BESIDE else OFF


def _counted(seen: AlarmEvidence) -> bool:
    """Whether the energy counter has risen by more than a run since the last one seen: the pump runs unseen."""
    then_wh, now_wh, last = seen.run_counter_wh, counter_wh(seen.status), seen.status.last_run
    if then_wh is None or now_wh is None or last is None or last.energy_wh is None:
        return False
    if seen.status.waiting_since_ms != last.start_ms:
        return False  # the wait is told from the counter itself
    return now_wh - then_wh > 1.5 * last.energy_wh  # the counter may tell of the last run late


def output_is_off(seen: AlarmEvidence) -> bool:
    """Whether the pack is observed to carry nothing, on the pack or on mains, when something should draw power.

    A cycling load may be at rest, and the next run may not be due yet: only a load that never rests, or a run that is
    long overdue, is evidence. A load that is listed without its runs, and rests all the same, is none either.
    """
    output_w = seen.status.pack_output_w
    asleep = output_w is not None and output_w < ASLEEP_W
    steady_w = sum(load.watts for load in seen.site.loads if load.runs_per_hour is None)
    if asleep and steady_w > ASLEEP_W and not seen.status.output_rests and not seen.site.pack_a_pump:
        return True
    return (asleep or seen.status.pack_carrying is False) and long_overdue(seen)


def long_overdue(seen: AlarmEvidence) -> bool:
    """Whether the wait since the pump last worked is many times the usual one, however narrow its spread is believed.

    It is not, either, until the house has been heard for a while without interruption.
    """
    status, limit = seen.status, seen.row(AlarmKind.PUMP_SILENT).limit
    if limit is None or status.overdue is None or status.overdue <= limit:
        return False
    if status.waits is None or status.waiting_since_ms is None or seen.now_ms <= status.waiting_since_ms:
        return False
    heard = status.waits * (seen.now_ms - seen.heard_ms) / (seen.now_ms - status.waiting_since_ms)
    missed = CYCLES_BY_CHANCE if status.runs_apart and status.short_share > MOST_SHORT else LEAST_CYCLES_MISSED
    return status.waits >= missed and heard >= LEAST_CYCLES_HEARD


def rapid_cycling(seen: AlarmEvidence) -> Judgement:
    """Far more starts in an hour than the site's busiest, for hours; fewer, and sooner, when the runs are also short.

    A storm brings more runs of the usual length, as does water flowing back through a check valve; but a storm passes.
    """
    status, normal = seen.status, seen.status.cycles_per_hour_normal
    if _dark(seen) or status.clock_suspect is not None:
        return UNKNOWN
    if normal is None or normal.count < ENOUGH_HOURS:
        return UNKNOWN
    row = seen.row(AlarmKind.RAPID_CYCLING)
    busiest = max(normal.p95, 1.0)
    ratio = status.cycles_last_hour / busiest
    usual, recent_s, last = status.dry_run_s_normal, status.dry_run_s_recent, status.last_run
    short = (
        last is not None
        and last.measured
        and usual is not None
        and usual.count >= ENOUGH_RUNS
        and recent_s is not None
        and recent_s < SHORT_RUN * usual.p50
    )
    if short and row.limit is not None:
        row = row.at(min(row.limit, SHORT_RUN_FACTOR))
    verdict = compare(row, ratio)
    if verdict is Verdict.ON and status.cycles_last_hour < LEAST_STARTS:
        return HOLD
    if short:
        return Judgement(verdict, "short")
    lately = status.cycles_per_hour_lately
    passing = lately is None or normal.count < STORM_HOURS or status.cycles_last_hour < FALLING * lately
    if verdict is Verdict.ON and passing:
        return HOLD
    return Judgement(verdict, on_delay_s=STORM_S)


def flow_low(seen: AlarmEvidence) -> Judgement:
    """The pump moves less water than it learnt to: drawdown over run and wait, of the newest runs against all.

    A run of r after a wait of w lifts the drawdown and what comes meanwhile: rate = drawdown (1/r + 1/w), whatever the
    inflow (cycle time T = V/(Qp-Qi) + V/Qi, MIL-HDBK-1005/9A 2.5.3.6 Eq. 1-2). Its inverse is the dry run.
    """
    status, last = seen.status, seen.status.last_run
    if _dark(seen) or status.clock_suspect is not None or last is None or not last.measured or not status.runs_apart:
        return UNKNOWN
    if status.flow_share is None:
        return UNKNOWN
    less = 100.0 * (1.0 - status.flow_share)
    return Judgement(compare(seen.row(AlarmKind.FLOW_LOW), less), run=last.start_ms)


def pump_power_abnormal(seen: AlarmEvidence) -> Judgement:
    """Running power away from the learnt median by more than the limit and than its own spread."""
    normal, last = seen.status.running_w_normal, seen.status.last_run
    if _dark(seen) or last is None or last.power_w is None or not last.measured:
        return UNKNOWN
    if normal is None or normal.count < ENOUGH_RUNS or normal.p50 <= 0.0:
        return UNKNOWN
    if last.clipped:
        return HOLD  # the true power is not known: load-at-rating tells
    spread = 100.0 * (normal.p95 - normal.p05) / normal.p50
    away = 100.0 * (last.power_w - normal.p50) / normal.p50
    verdict = compare(seen.row(AlarmKind.PUMP_POWER_ABNORMAL), abs(away))
    if verdict is Verdict.ON and abs(away) < spread:
        return HOLD
    return Judgement(verdict, "high" if away > 0.0 else "low", run=last.start_ms)
