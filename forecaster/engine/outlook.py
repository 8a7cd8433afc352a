"""Makes the forecast of one site from its folded state and its models."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from forecaster.domain.forecast import Basis, ChargeAhead, DrawParts, Forecast
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Supply
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS
from forecaster.engine import loads, reserve
from forecaster.engine.acting import Acting, acting
from forecaster.engine.bank import NOTHING_MISSING, Hung, Missing
from forecaster.engine.evidence import PumpSpan
from forecaster.engine.fold import Fold
from forecaster.engine.longrun import LongRun, long_run, unfinished
from forecaster.engine.models import Models
from forecaster.engine.one_a_pump import carried, hung_on
from forecaster.engine.passage import Drain, Passage
from forecaster.engine.recharge import charge_now, full_at_ms
from forecaster.engine.second import NOTABLE
from forecaster.engine.water import CycleFigures, figures_of, water_now
from forecaster.maths.arrays import Array
from forecaster.maths.noise import normals, seeds_of, uniforms
from forecaster.maths.ranks import median
from forecaster.pack.draws import PackDraws
from forecaster.texts.catalogue import Said

DRAWS = 400
"""The number of draws of a forecast."""

_PATH_POINTS = 24
_SAID_DOUBT = 0.3
_SAID_ANEW_MS = 24 * HOUR_MS
_AGE_SPREAD = 0.12
_MOST_AGE_SPREAD = 1.0
_LOADS_SPREAD = 0.08
_TOLD_CHANGES = 3
"""Changes of the charge from which they tell what a pump uses that was never heard (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Age:
    """The age of the data, and what is silent.

    data_age_s : float | None — age of the newest reading that tells of the pump or the pack [s]
    pump_silent, pack_silent : bool — not heard for longer than the reporting rhythm explains
    """

    data_age_s: float | None
    pump_silent: bool
    pack_silent: bool

    @property
    def silent(self) -> bool:
        """Whether neither is heard."""
        return self.pump_silent and self.pack_silent


def age_of(fold: Fold, now_ms: int) -> Age:
    """The age of what is known of the pump and the pack."""
    rhythms = fold.segmenter.rhythms()
    charge = fold.rhythms.get(Quantity.PACK_CHARGE)
    newest = [rhythm.last_ms for rhythm in rhythms if rhythm.last_ms is not None]
    if charge is not None and charge.last_ms is not None:
        newest.append(charge.last_ms)
    return Age(
        data_age_s=max(now_ms - max(newest), 0) / 1000.0 if newest else None,
        pump_silent=all(rhythm.silent(now_ms) for rhythm in rhythms),
        pack_silent=charge is None or charge.silent(now_ms),
    )


def carry_forward(
    fold: Fold, pump: Acting, models: Models, now_ms: int, age: Age, run: LongRun | None
) -> tuple[float, float]:
    """Bring copies of the models to the present: the pump's energy since the last reading, and an overdue cycle.

    pump : Acting — the pump that lifts now
    run : LongRun | None — its run that goes on
    Returns the median of the mean power by what was last heard and by the present, as of the first pump [W].
    """
    shown_w, drained, spans = models.inflow.median_w(now_ms), fold.drained(now_ms, None), pump.fold.spans
    if drained is not None:
        models.hear([drained])
    window = None if age.pump_silent or pump.is_second else spans.open_window(fold.now_ms, fold.segmenter)
    going_on = [] if window is None else [window]
    if run is not None:
        going_on += [replace(span, energy_wh=span.energy_wh / pump.own) for span in unfinished(pump.fold, run, now_ms)]
    models.hear(going_on)
    mean_w = models.inflow.median_w(now_ms) if going_on else shown_w
    if not fills_slowly(pump, age, mean_w, now_ms):
        return shown_w, mean_w
    assert spans.cycle_ms is not None
    assert spans.cycle_wh is not None
    models.hear([PumpSpan(max(spans.cycle_ms, spans.end_ms), now_ms, spans.cycle_wh / pump.own)])
    return shown_w, models.inflow.median_w(now_ms)


def fills_slowly(pump: Acting, age: Age, mean_w: float, now_ms: int) -> bool:
    """Whether the present cycle is already 1.3 times a usual one: less water is coming than was believed.

    mean_w : float — mean power as of the first pump [W]
    """
    fold, spans = pump.fold, pump.fold.spans
    if age.pump_silent or spans.cycle_ms is None or spans.cycle_wh is None or fold.segmenter.coarse(now_ms):
        return False
    open_h = (now_ms - spans.cycle_ms) / HOUR_MS
    return open_h * pump.own * mean_w > 1.3 * spans.cycle_wh and fold.segmenter.running_since_ms(now_ms) is None


@dataclass(frozen=True, slots=True)
class Present:
    """What is believed of the present.

    pump : Acting — the pump that lifts; run : LongRun | None — its run that goes on; hung : what hangs on each pack
    shown_w, mean_w : float — median of the mean power by what was last heard, and by the present, as of the first pump
        [W]
    percent : float | None — charge that can be had [%]
    shown, pack : PackDraws — without what packs that cannot be counted on hold above their reserve, and hold at all
    """

    pump: Acting
    hung: Hung
    age: Age
    run: LongRun | None
    shown_w: float
    mean_w: float
    percent: float | None
    shown: PackDraws
    pack: PackDraws


def _present(site: Site, fold: Fold, models: Models, now_ms: int, seed: int) -> Present:
    pump, hung = acting(fold, now_ms), hung_on(site, fold, now_ms)
    age = age_of(pump.fold, now_ms)
    run = None if age.pump_silent else long_run(pump.fold, now_ms)
    shown_w, mean_w = carry_forward(fold, pump, models, now_ms, age, run)
    on_pack = fold.supply.supply is Supply.PACK
    percent = charge_now(site, fold, now_ms, on_pack=fold.accounts.on_pack)
    pack = models.belief.untested(now_ms).draw(DRAWS, seed, None if on_pack else percent, unread=age.pack_silent)
    if on_pack and (fold.accounts.percent is None or age.pack_silent):
        percent = median(pack.charge_percent_after(np.zeros(DRAWS)))
    missing = _missing(fold, hung, now_ms)
    above, whole = missing.above_percent, missing.all_percent
    shown, pack = _without(pack, above, above), _without(pack, above, whole)
    return Present(pump, hung, age, run, shown_w, mean_w, _less(percent, missing), shown, pack)


@dataclass(frozen=True, slots=True)
class Following:
    """What follows from the present.

    pack : PackDraws — of the packs that carry; pump_w, charging_w : float — drawn at their plugs now, and put in [W]
    """

    pack: PackDraws
    pump_w: float
    charging_w: float
    passed: Passage


def _ahead(site: Site, fold: Fold, models: Models, at: Present, now_ms: int, seeds: tuple[int, int]) -> Following:
    pump, age, run, (seed, water_seed) = at.pump, at.age, at.run, seeds
    on = carried(site, fold, pump, _with_measured_loads(fold, at.pack, seed), at.hung, now_ms)
    charging_wh, charging_w = _charging(fold, models, now_ms, reserve.ahead_grid_s(), seed)
    on_pack = fold.supply.supply is Supply.PACK
    by_charge = (age.pump_silent or models.led.leads) and not age.pack_silent
    unheard = on.pack.unheard if on_pack and by_charge else None
    passed = Drain(
        pack=on.pack,
        inflow=models.inflow,
        now_ms=now_ms,
        scale=_of_the_acting(_aged(unheard, age, seed), on.drawn),
        standby_w=on.standby_w,
        charging_wh=charging_wh,
        within_wh=_within_a_cycle_wh(pump, on.pack, seed),
        stays_on_w=None if run is None or not pump.drawn else run.stays_on_w(DRAWS, seed),
        seed=water_seed,
        handover=on.handover,
        level_told=unheard is not None and _level_told(models),
    ).passage(at.mean_w * on.drawn)
    pump_w = at.mean_w * on.drawn * (1.0 if unheard is None else median(unheard))
    return Following(on.pack, pump_w + on.standby_w, charging_w, passed)


def outlook(site: Site, fold: Fold, models: Models, now_ms: int, seed: int) -> Forecast:
    """The forecast at a time. `models` are copies: they are carried forward to the present."""
    pack_seed, ahead_seed, water_seed = seeds_of(seed, 3)
    at = _present(site, fold, models, now_ms, pack_seed)
    ahead = _ahead(site, fold, models, at, now_ms, (ahead_seed, water_seed))
    pump, age, pack, passed = at.pump, at.age, ahead.pack, ahead.passed
    figures = figures_of(pump, at.mean_w, now_ms)
    parts = _parts(pack, ahead.pump_w, ahead.charging_w)
    on_pack = fold.supply.supply is Supply.PACK
    return Forecast(
        site=site.id,
        issued_at_ms=now_ms,
        supply=fold.supply.supply,
        basis=_basis(pump.fold, models.inflow.cycles, age),
        data_age_s=age.data_age_s,
        charge_percent=at.percent,
        usable_wh=median(pack.to_reserve_wh),
        draw_w=parts.pump_w + parts.loads_w + parts.pack_w,
        cycles_per_hour=figures.cycles_per_hour,
        run_s=figures.run_s,
        wh_per_cycle=figures.wh_per_cycle,
        duty=figures.duty,
        hours_remaining=reserve.quantiles(passed.hours),
        hours_to_empty=reserve.quantiles(passed.to_empty_h),
        survival=reserve.survival(passed.hours, now_ms),
        water=water_now(site, fold, pump, (at.mean_w, at.shown_w), models.inflow.halving_h(now_ms), now_ms),
        degraded=_degraded(site, pump.fold, age, figures, pack.doubt, at.hung, now_ms),
        supply_inferred=fold.supply.inferred,
        supply_since_ms=fold.supply.since_ms,
        draw=parts,
        drain_path=_drain_path(at.shown, passed, now_ms),
        full_at_ms=None if on_pack else full_at_ms(site, fold, pack, at.percent, now_ms),
        never_probability=reserve.never_probability(passed.hours),
        coverage=models.inflow.backtest.conformal.coverage(),
        packs=() if fold.bank is None else fold.bank.now(now_ms, median(pack.capacity_wh), at.hung),
        pumps=() if fold.second is None else fold.second.pumps(site, fold.lifting, now_ms),
    )


def available(site: Site, fold: Fold, percent: float | None, now_ms: int) -> float | None:
    """The charge [%] without what is above the reserve of packs that cannot be counted on."""
    return _less(percent, _missing(fold, hung_on(site, fold, now_ms), now_ms))


def _less(percent: float | None, missing: Missing) -> float | None:
    return None if percent is None else max(percent - missing.above_percent, 0.0)


def _missing(fold: Fold, hung: Hung, now_ms: int) -> Missing:
    return NOTHING_MISSING if fold.bank is None else fold.bank.missing(now_ms, hung)


def _without(pack: PackDraws, to_reserve_percent: float, to_empty_percent: float) -> PackDraws:
    """The draws with so much less energy to the reserve and to empty, as charge of the whole [%]."""
    if not to_empty_percent:
        return pack
    return replace(
        pack,
        to_reserve_wh=np.maximum(pack.to_reserve_wh - pack.capacity_wh * (to_reserve_percent / 100.0), 0.0),
        to_empty_wh=np.maximum(pack.to_empty_wh - pack.capacity_wh * (to_empty_percent / 100.0), 0.0),
    )


def _basis(fold: Fold, cycles: int, age: Age) -> Basis:
    if cycles == 0 and not fold.normals.count and (fold.accounts.opened is None or age.data_age_s is None):
        return Basis.SPECIFICATION
    return Basis.PROJECTED if age.silent else Basis.MEASURED


def _level_told(models: Models) -> bool:
    """Whether the charge has changed often enough in this discharge to tell what the pump uses."""
    now = models.belief.discharge
    return now is not None and now.evidence.changes >= _TOLD_CHANGES


def _aged(unheard: Array | None, age: Age, seed: int) -> Array | None:
    """Factors on the pump's energy ahead (DRAWS,): what it used unheard over what was booked for it, and a spread by
    the age of the data, because what was not observed may have changed.
    """
    if not age.pump_silent or age.data_age_s is None:
        return unheard
    spread = min(_AGE_SPREAD * (age.data_age_s / 3600.0) ** 0.5, _MOST_AGE_SPREAD)
    factor = np.exp(spread * normals(seed, DRAWS, 3)[:, 0])
    return np.asarray(factor if unheard is None else factor * unheard, dtype=np.float64)


def _with_measured_loads(fold: Fold, pack: PackDraws, seed: int) -> PackDraws:
    """The pack with other loads as measured, where any is; otherwise with the belief about the listed ones."""
    mean_w = loads.mean_w(fold.loads, fold.listed_w, fold.other_output)
    if mean_w is None:
        return pack
    spread = np.exp(_LOADS_SPREAD * normals(seed, DRAWS, 3)[:, 1])
    return replace(pack, loads_w=np.asarray(mean_w * spread, dtype=np.float64))


def _of_the_acting(scale: Array | None, drawn: float) -> Array | None:
    """The factors on the first pump's energy, for the pump that lifts."""
    if drawn == 1.0:
        return scale
    return np.full(DRAWS, drawn) if scale is None else scale * drawn


def _within_a_cycle_wh(pump: Acting, pack: PackDraws, seed: int) -> Array:
    """The correction of the energy budget for the place within the pump's cycle [Wh], shape (draws,).

    Energy is used in whole runs while the paths ahead are smooth; where in its cycle the pump will be is random.
    """
    cycle_wh = (pump.fold.spans.cycle_wh or 0.0) if pump.drawn else 0.0
    place = uniforms(seed + 11, DRAWS, 1)[:, 0] - 0.5
    return np.asarray(place * cycle_wh / pack.efficiency)


def _charging(fold: Fold, models: Models, now_ms: int, grid: Array, seed: int) -> tuple[Array | None, float]:
    """Energy into the pack ahead while it carries the pump, from sun or generator, and the present power [W]."""
    if fold.supply.supply is not Supply.PACK:
        return None, 0.0
    stream = fold.pack_input
    rhythm = fold.rhythms.get(Quantity.PACK_INPUT_POWER)
    heard = stream.recent_w is not None and rhythm is not None and not rhythm.silent(now_ms)
    return models.charging.draw_ahead(now_ms, grid, DRAWS, seed), (stream.recent_w or 0.0) if heard else 0.0


def _parts(pack: PackDraws, pump_w: float, charging_w: float) -> DrawParts:
    """The parts of the draw as seen from the battery; each includes its share of the inverter's loss."""
    cost = median(1.0 / pack.efficiency)
    return DrawParts(
        pump_w=pump_w * cost,
        loads_w=median(pack.loads_w) * cost,
        pack_w=median(pack.idle_w),
        charging_w=charging_w,
    )


def _drain_path(pack: PackDraws, passed: Passage, now_ms: int) -> tuple[ChargeAhead, ...]:
    """Expected charge ahead, to a little beyond the late end of the range."""
    last = min(int(np.searchsorted(passed.grid_s, passed.late_h * 3600.0)), passed.grid_s.size - 1)
    spots = _path_spots(last)
    drain_wh = passed.drain_wh.T[spots]
    charge = np.sort(pack.charge_percent_after(drain_wh.T).T, axis=1)
    low, middle, high = (charge[:, round(level * (charge.shape[1] - 1))].tolist() for level in (0.10, 0.50, 0.90))
    times = now_ms + np.rint(passed.grid_s[spots] * 1000.0).astype(np.int64)
    return tuple(map(ChargeAhead, times.tolist(), low, middle, high))


@lru_cache(maxsize=reserve.GRID_POINTS)
def _path_spots(last: int) -> NDArray[np.intp]:
    """The places of the path among the times ahead, evenly up to a last one."""
    return np.array(sorted({round(last * share / (_PATH_POINTS - 1)) for share in range(_PATH_POINTS)}))


def _degraded(
    site: Site, fold: Fold, age: Age, figures: CycleFigures, doubt: float, hung: Hung, now_ms: int
) -> tuple[str, ...]:
    """Short reasons why the forecast is less certain than it could be."""
    segmenter = fold.segmenter
    reasons: list[str] = []
    if age.silent and age.data_age_s is not None:
        reasons.append(Said("degraded.telemetry-silent"))
    elif age.pump_silent and age.data_age_s is not None:
        reasons.append(Said("degraded.pump-silent"))
    if age.data_age_s is None:
        reasons.append(Said("degraded.never-heard"))
    if site.has(Quantity.PACK_CHARGE) and age.pack_silent and not age.silent:
        reasons.append(Said("degraded.charge-silent"))
    if doubt > _SAID_DOUBT:
        reasons.append(Said("degraded.charge-doubted"))
    if not site.has(Quantity.PACK_CHARGE):
        reasons.append(Said("degraded.charge-counted"))
    if fold.supply.inferred:
        reasons.append(Said("degraded.supply-inferred"))
    if fold.bank is not None:
        reasons += [Said(f"degraded.pack-{role}", pack=name) for name, role in fold.bank.not_counted(now_ms, hung)]
    if fold.second is not None and (state := fold.second.state(now_ms)) in NOTABLE:
        reasons.append(Said(f"degraded.second-pump-{state}", pump=fold.second.id))
    reasons += [
        Said(f"degraded.new-{part}") for part, at_ms in fold.begun_anew_ms.items() if now_ms - at_ms < _SAID_ANEW_MS
    ]
    if fold.supply.suspect_ms is not None:
        reasons.append(Said("degraded.mains-flag-doubted"))
    if not age.pump_silent and segmenter.coarse(now_ms):
        reasons.append(
            Said("degraded.runs-unseen") if figures.cycles_per_hour is None else Said("degraded.runs-from-energy")
        )
    last = fold.normals.last_run
    if last is not None and last.clipped:
        reasons.append(Said("degraded.power-at-rating"))
    if not age.pump_silent and not segmenter.running_w_measured:
        reasons.append(Said("degraded.power-from-plate"))
    return tuple(reasons)
