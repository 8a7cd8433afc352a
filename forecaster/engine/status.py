"""What is observed of a site at one moment: the evidence of alarm rules and pages."""

from __future__ import annotations

import math

from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Supply
from forecaster.domain.site import Site
from forecaster.domain.status import ASLEEP_W, QuantityAge, SiteStatus, Spread
from forecaster.domain.times import HOUR_MS
from forecaster.engine import loads
from forecaster.engine.acting import Acting, acting
from forecaster.engine.buffer import Buffer, key_of
from forecaster.engine.fold import Fold
from forecaster.engine.models import Models
from forecaster.engine.normals import spread_of
from forecaster.engine.outlook import age_of, available, fills_slowly
from forecaster.engine.signs import Wait
from forecaster.engine.water import cycle_figures
from forecaster.segment import Rhythm
from forecaster.texts.catalogue import Figure, Said

_CARRYING_W = 4.0
_DUE = 0.9
_KNOWN_RUNS = 3
_LEAST_SPREAD = 0.15
_FROZEN_PERCENT, _FROZEN_UNSTEPPED_PERCENT, _FROZEN_STEPS = 3.0, 7.0, 1.6
_FROZEN_WH = 8.0
_CLOCK_FOR_MS = 1_800_000
_LATE_SHARE = 0.02


def observe(
    site: Site, fold: Fold, models: Models, buffer: Buffer, now_ms: int, last_test_ms: int | None
) -> SiteStatus:
    """The status at a time, from the state into which held readings are folded."""
    pump = acting(fold, now_ms)
    age = age_of(pump.fold, now_ms)
    segmenter, normals, accounts = pump.fold.segmenter, pump.fold.normals, fold.accounts
    source = segmenter.source(now_ms)
    hearing = segmenter.hearing(source)
    mean = models.inflow.mean_w(now_ms)
    wait = None if age.pump_silent else waiting(fold, pump, mean, now_ms)
    overdue = None if wait is None else wait.probability
    charge_fresh = not age.pack_silent
    return SiteStatus(
        site=site.id,
        at_ms=now_ms,
        supply=fold.supply.supply,
        supply_inferred=fold.supply.inferred,
        supply_since_ms=fold.supply.since_ms,
        supply_returning=fold.supply.returning(now_ms),
        data_age_s=age.data_age_s,
        silent=age.silent,
        running_since_ms=segmenter.running_since_ms(now_ms),
        last_run=normals.last_run,
        run_s_normal=spread_of(normals.run_s),
        run_s_recent=normals.recent_run_s(),
        dry_run_s_normal=spread_of(normals.dry_run_s),
        dry_run_s_recent=normals.recent_dry_run_s(),
        flow_share=normals.flow_share(),
        running_w_normal=spread_of(normals.run_w),
        cycles_per_hour_normal=spread_of(normals.older_hours()),
        cycles_per_hour_lately=normals.lately_per_hour(),
        cycles_last_hour=normals.cycles_since(now_ms - HOUR_MS),
        overdue=overdue,
        spans_heard=mean.count,
        run_source=source,
        runs_apart=not segmenter.coarse(now_ms),
        sample_s=hearing.sample_s,
        short_share=hearing.short_share,
        whole_ms=hearing.whole_ms,
        lost_share=normals.lost_share,
        untraced_share=normals.untraced_share,
        steady=not (segmenter.coarse(now_ms) or fills_slowly(pump, age, mean.p50, now_ms)),
        waits=None if wait is None else wait.waits,
        interval_spread=pump.interval_cv,
        waiting_since_ms=None if wait is None else wait.since_ms,
        power_pinned=segmenter.pinned(now_ms) or (normals.last_run is not None and normals.last_run.clipped),
        pack_output_w=_fresh(fold, Quantity.PACK_OUTPUT_POWER, now_ms),
        pack_input_w=_fresh(fold, Quantity.PACK_INPUT_POWER, now_ms),
        pack_temperature_c=_fresh(fold, Quantity.PACK_TEMPERATURE, now_ms),
        charge_percent=available(site, fold, accounts.percent, now_ms) if charge_fresh else None,
        charge_rate_percent_per_h=accounts.rate_percent_per_h(now_ms) if charge_fresh else None,
        charge_stood_s=_stood_s(fold, now_ms) if charge_fresh else None,
        output_rests=fold.rests.usual(now_ms),
        pack_carrying=carrying(pump.fold, overdue, now_ms),
        frozen=frozen(fold, mean.p50 * pump.drawn, math.exp(float(models.belief.mean[0])), now_ms),
        high_water=_yes_no(fold, Quantity.HIGH_WATER, now_ms),
        clock_suspect=_clock(buffer, now_ms),
        ages=ages(site, fold, now_ms),
        first_run_on_pack=normals.first_on_pack,
        last_test_ms=last_test_ms,
    )


def waiting(fold: Fold, pump: Acting, mean: Spread, now_ms: int) -> Wait | None:
    """The wait for the next run, by the site's own runs, or by signs of them where the sampling misses runs.

    pump : Acting — the pump that lifts. Where that is a second one that has hardly run, it is due after what the first
        one took and the rise of the water to its own float. Whichever ran last has emptied the pit.
    mean : Spread — the mean power now as of the first pump [W]

    A cycle takes its energy over the mean power now, and no less than the newest cycles took; its length is log-normal
    with the spread of the inflow, of the site's own intervals, and never less than 15 %. None before three runs, while
    one lasts, or where not enough is known.
    """
    segmenter, normals, last = pump.fold.segmenter, pump.fold.normals, pump.fold.normals.last_run
    if segmenter.running_since_ms(now_ms) is not None:
        return None
    if segmenter.coarse(now_ms):
        return pump.fold.signs.wait()
    stretch, known = pump.stretch, pump
    if pump.is_second and normals.count < _KNOWN_RUNS and fold.second is not None:
        stretch, known, normals = fold.second.stretch, Acting(fold), fold.normals
    mean = known.own_w(mean)
    if last is None or normals.count < _KNOWN_RUNS or mean.p50 <= 0.0:
        return None
    energy_wh = cycle_figures(known.fold, mean.p50, now_ms).wh_per_cycle
    if energy_wh is None or energy_wh <= 0.0:
        return None
    expected_s = stretch * max(3600.0 * energy_wh / mean.p50, normals.recent_interval_s() or 0.0)
    emptied = None if pump.is_second or fold.second is None else fold.second.normals.last_run
    began_ms = last.start_ms if emptied is None else max(last.start_ms, emptied.stop_ms)
    since_ms, until_ms = _heard(pump.fold, began_ms, now_ms)
    elapsed_s = (until_ms - since_ms) / 1000.0
    if elapsed_s <= 0.0:
        return Wait(since_ms, 0.0, 0.0)
    flow = math.log(mean.p95 / max(mean.p05, 1e-3 * mean.p50)) / 3.29 if mean.p95 > 0.0 else 1.0
    spread = max(math.hypot(flow, pump.interval_cv), _LEAST_SPREAD)
    probability = 0.5 * math.erfc(-math.log(elapsed_s / expected_s) / (spread * math.sqrt(2.0)))
    return Wait(since_ms, probability, elapsed_s / expected_s)


def _heard(fold: Fold, since_ms: int, now_ms: int) -> tuple[int, int]:
    """From when to when the source of runs has told that none came: from where any source saw the pump run, or from the
    end of a gap, for a run may have come in it; and to the newest reading, where it reports between runs.
    """
    since_ms = max([since_ms, *(tracker.last_on_ms for tracker in fold.segmenter.trackers.values())])
    tracker = fold.segmenter.believed(now_ms)
    if tracker is None or tracker.rhythm.last_ms is None:
        return since_ms, now_ms
    since_ms = max(since_ms, tracker.blind_to_ms or since_ms)
    return since_ms, now_ms if tracker.rhythm.steady_ms is None else min(tracker.rhythm.last_ms, now_ms)


def carrying(fold: Fold, overdue: float | None, now_ms: int) -> bool | None:
    """On the pack: whether it is observed to carry anything when something should draw power. None: not known."""
    since = fold.supply.since_ms
    if fold.supply.supply is not Supply.PACK or since is None:
        return None
    output = fold.output
    last = fold.normals.last_run
    ran_lately = last is not None and last.supply is Supply.PACK and (overdue is None or overdue < _DUE)
    if fold.segmenter.running_since_ms(now_ms) is not None or (
        ran_lately and last is not None and last.start_ms >= since
    ):
        return True
    if output is None or output.rhythm.silent(now_ms) or output.rhythm.last_value is None:
        return False if overdue is not None and overdue > 0.99 and last is not None else None
    if output.rhythm.last_value >= _CARRYING_W:
        return True
    loads_due = sum(fold.listed_w.values()) > _CARRYING_W and not fold.rests.usual(now_ms)
    something_due = (overdue is not None and overdue > _DUE) or loads_due
    return False if output.rhythm.last_value < ASLEEP_W and something_due else None


def frozen(fold: Fold, mean_w: float, capacity_wh: float, now_ms: int) -> tuple[Quantity, ...]:
    """Quantities that keep reporting the same value although it must have changed.

    mean_w, capacity_wh : float — the pump's mean power [W], what the pack is believed to hold [Wh]
    """
    checks = (
        (Quantity.PACK_CHARGE, _charge_frozen(fold, mean_w, capacity_wh, now_ms)),
        (Quantity.PUMP_ENERGY, _counter_frozen(fold, now_ms)),
        (Quantity.PUMP_POWER, _power_frozen(fold, mean_w, now_ms)),
    )
    return tuple(quantity for quantity, stands in checks if stands)


def _charge_frozen(fold: Fold, mean_w: float, capacity_wh: float, now_ms: int) -> bool:
    """On the pack without charging, the charge should have fallen by some steps and did not."""
    charge = fold.rhythms.get(Quantity.PACK_CHARGE)
    if charge is None or charge.silent(now_ms) or not fold.accounts.on_pack or charge.last_value in (None, 0.0):
        return False
    since = max(charge.changed_ms or 0, fold.accounts.since_ms)
    loads_w = loads.mean_w(fold.loads, fold.listed_w, fold.other_output)
    drain_w = mean_w + (sum(fold.listed_w.values()) if loads_w is None else loads_w)
    fell = 100.0 * drain_w * (now_ms - since) / HOUR_MS / capacity_wh
    step = fold.supply.step_percent
    least = _FROZEN_UNSTEPPED_PERCENT if step is None else max(_FROZEN_PERCENT, _FROZEN_STEPS * step)
    return fell > least and not fold.pack_input.recent_w


def _counter_frozen(fold: Fold, now_ms: int) -> bool:
    """The counter does not rise although the other sources show some steps of energy."""
    counter, told_wh = fold.segmenter.counter, fold.segmenter.meter.since_tick_wh
    if counter is None or counter.rhythm.silent(now_ms) or counter.rhythm.changed_ms is None:
        return False
    stood_ms = now_ms - counter.rhythm.changed_ms
    return told_wh > max(_FROZEN_WH, 3.0 * (counter.resolution_wh or 1.0)) and stood_ms > HOUR_MS // 2


def _power_frozen(fold: Fold, mean_w: float, now_ms: int) -> bool:
    """The power, sampled too finely to miss a run, does not change although another source shows that the pump ran."""
    segmenter, normals = fold.segmenter, fold.normals
    power, usual = segmenter.trackers.get(Quantity.PUMP_POWER), spread_of(normals.run_s)
    if power is None or power.rhythm.silent(now_ms) or power.rhythm.changed_ms is None or usual is None:
        return False
    if not power.rhythm.on_change and (power.rhythm.steady_ms or 0.0) > 800.0 * usual.p50:
        return False
    changed_ms = power.rhythm.changed_ms
    others = [t for q, t in segmenter.trackers.items() if q not in (Quantity.PUMP_POWER, Quantity.PACK_OUTPUT_POWER)]
    told = [(tracker.last_stop_ms, tracker.rhythm.silence_ms) for tracker in others]
    if segmenter.counter is not None:
        told.append((segmenter.counter.rhythm.changed_ms, segmenter.counter.rhythm.silence_ms))
    # another source may tell late of the last run that the power showed
    ran = any(at_ms is not None and at_ms > changed_ms + late_ms for at_ms, late_ms in told)
    expected_wh = mean_w * (now_ms - changed_ms) / HOUR_MS
    return ran and normals.count >= 3 and expected_wh > 5.0 * (normals.usual_run_wh() or 1.0)


def ages(site: Site, fold: Fold, now_ms: int) -> tuple[QuantityAge, ...]:
    """One entry a channel quantity: value, age, whether silent."""
    seen: dict[str, QuantityAge] = {}
    for channel in site.channels:
        key = key_of(channel.quantity, channel.of)
        if key in seen or channel.quantity is Quantity.RAIN_EXPECTED:
            continue
        rhythm = fold.rhythm(channel.quantity, key) or Rhythm(stated_ms=fold.stated_ms.get(key))
        age_s = None if rhythm.last_ms is None else max(now_ms - rhythm.last_ms, 0) / 1000.0
        seen[key] = QuantityAge(
            quantity=channel.quantity,
            subject=channel.of,
            value=rhythm.last_value,
            age_s=age_s,
            max_silence_s=rhythm.silence_ms / 1000.0,
            silent=rhythm.silent(now_ms),
        )
    return tuple(seen.values())


def _fresh(fold: Fold, quantity: Quantity, now_ms: int) -> float | None:
    rhythm = fold.rhythm(quantity, quantity.value)
    return None if rhythm is None or rhythm.silent(now_ms) else rhythm.last_value


def _stood_s(fold: Fold, now_ms: int) -> float | None:
    """How long the charge has been heard without a change [s]."""
    charge = fold.rhythms.get(Quantity.PACK_CHARGE)
    changed_ms = None if charge is None else charge.changed_ms
    return None if changed_ms is None else max(now_ms - changed_ms, 0) / 1000.0


def _yes_no(fold: Fold, quantity: Quantity, now_ms: int) -> bool | None:
    """The last value of a yes/no quantity that may report only changes; it is valid for a day."""
    rhythm = fold.rhythm(quantity, quantity.value)
    if rhythm is None or rhythm.last_ms is None or rhythm.last_value is None:
        return None
    if rhythm.silent(now_ms) and now_ms - rhythm.last_ms > 24 * HOUR_MS:
        return None
    return rhythm.last_value >= 0.5


def _clock(buffer: Buffer, now_ms: int) -> str | None:
    """Why source times cannot be trusted; None where they can."""
    if buffer.ahead_at_ms is not None and now_ms - buffer.ahead_at_ms < _CLOCK_FOR_MS:
        return Said("suspect.source_ahead", span=_span(buffer.ahead_ms))
    if buffer.newest_ms - now_ms > 120_000:
        return Said("suspect.here_behind", span=_span(buffer.newest_ms - now_ms))
    if buffer.behind_at_ms is not None and now_ms - buffer.behind_at_ms < _CLOCK_FOR_MS:
        return Said("suspect.source_behind", span=_span(buffer.behind_ms))
    return None


def _span(ms: int) -> str:
    minutes = ms / 60_000.0
    if minutes < 120.0:
        return Said("wording.minutes", n=Figure(f"{minutes:.0f}"))
    if minutes < 4_320.0:
        return Said("wording.hours", n=Figure(f"{minutes / 60.0:.0f}"))
    return Said("wording.days", n=Figure(f"{minutes / 1_440.0:.0f}"))
