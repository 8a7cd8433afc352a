"""Cycles and water: the energy forecast expressed in runs an hour, litres and minutes."""

from __future__ import annotations

from dataclasses import dataclass, replace

from forecaster.domain.forecast import Water
from forecaster.domain.site import Site
from forecaster.engine.acting import Acting, rise_m
from forecaster.engine.fold import Fold

_FULL_DUTY = 0.999


@dataclass(frozen=True, slots=True)
class CycleFigures:
    """The pump's present cycle. duty : share of time, 0..1. None is "not known"."""

    cycles_per_hour: float | None
    run_s: float | None
    wh_per_cycle: float | None
    duty: float | None


def cycle_figures(fold: Fold, mean_w: float, now_ms: int) -> CycleFigures:
    """Cycles from energy: mean power over the energy of a cycle; a cycle's energy is learnt from measured runs."""
    segmenter, normals = fold.segmenter, fold.normals
    running_w = segmenter.running_w
    duty = min(max(mean_w / running_w, 0.0), 1.0) if running_w > 0.0 else None
    size = segmenter.size(now_ms)
    sized = None if size is None else size.at_mean_w(mean_w)
    if sized is not None:
        wh, run_s = sized
        if run_s > 0.0:
            duty = min(mean_w / (wh / run_s * 3600.0), 1.0)
        return CycleFigures(mean_w / wh, run_s, wh, duty)
    counted = normals.usual_run_wh()
    length = None if counted is None or running_w <= 0.0 else counted / running_w * 3600.0
    return CycleFigures(None if not counted else mean_w / counted, length, counted, duty)


def figures_of(pump: Acting, mean_w: float, now_ms: int) -> CycleFigures:
    """The cycles of the pump that lifts. mean_w : float — mean power as of the first pump [W]"""
    figures = cycle_figures(pump.fold, mean_w * pump.own, now_ms)
    return figures if pump.drawn else replace(figures, wh_per_cycle=0.0)


def water_now(
    site: Site, fold: Fold, pump: Acting, means_w: tuple[float, float], halving_h: float | None, now_ms: int
) -> Water:
    """The water at a time. It is told by the first pump's cycles, into whose work that of a second one is translated.

    means_w : the mean power now as of the first pump, and as the finished runs show it [W]
    """
    now_w, shown_w = means_w
    figures = cycle_figures(fold, now_w, now_ms)
    shown = figures if shown_w == now_w else cycle_figures(fold, shown_w, now_ms)
    water = water_of(site, figures, shown, halving_h, rise_m(site, fold, now_ms))
    if not pump.is_second or fold.second is None or water.pump_rate_l_per_min is None:
        return water
    return replace(water, pump_rate_l_per_min=water.pump_rate_l_per_min * fold.second.flow_share)


def water_of(
    site: Site, figures: CycleFigures, shown: CycleFigures, halving_h: float | None, above_m: float = 0.0
) -> Water:
    """Inflow and pump rate from the drawdown volume V and one mean cycle: Qi = V / t_off, Qp = V / t_on + Qi.

    Source: cycle time T = V/(Qp-Qi) + V/Qi, MIL-HDBK-1005/9A 2.5.3.6 Eq. 1-2. Where runs are not measured, the
    nameplate's flow and the duty: Qi = duty Qp.

    shown : CycleFigures — as the finished runs show the cycle. The time to the wet floor is that of a dead pump: the
        silence since the last run, read as less water in `figures`, does not lengthen it
    above_m : float — how far above the first pump's float the water stands when the last of two pumps is due [m]
    """
    inflow, rate = _flows(site, figures)
    most = max(inflow or 0.0, _flows(site, shown)[0] or 0.0)
    minutes = None
    pit = site.pit
    if most > 0.0 and pit.freeboard_m is not None and pit.area_m2 is not None:
        minutes = max(pit.freeboard_m - above_m, 0.0) * pit.area_m2 * 1000.0 / most
    return Water(inflow, rate, minutes, halving_h)


def _flows(site: Site, figures: CycleFigures) -> tuple[float | None, float | None]:
    volume = site.pit.drawdown_l
    cycles, run_s = figures.cycles_per_hour, figures.run_s
    if volume is not None and cycles is not None and cycles > 0.0 and run_s is not None and run_s > 0.0:
        off_s = 3600.0 / cycles - run_s
        if off_s > 0.0:
            inflow = volume / off_s * 60.0
            return inflow, volume / run_s * 60.0 + inflow
    rated = site.pump.rated_flow_l_per_min
    if rated is not None and figures.duty is not None and figures.duty < _FULL_DUTY:
        return figures.duty * rated, rated
    return None, rated
