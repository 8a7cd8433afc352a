"""Wear that does not go on at one pace: a gamma process in the work done, whose pace wanders besides.

A pump wears by the water that it lifts and by the grit in it, so mostly in the wet season and after storms (common
practice). A gamma process is the usual model of such wear (van Noortwijk, Reliab. Eng. Syst. Saf. 94 (2009) 2). How
large its jumps are and how far the pace wanders is a guess, drawn wide: no record of pumps' wear was found.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import lfilter

from forecaster.health.trends import BASELINE_DAYS
from forecaster.maths.arrays import Array
from tests.forecaster.health.world import DAY_S, STEP_S, Truth, inflow

LIFE_DAYS = 3650
COARSE_S = 6 * 3600.0
"""Steps of the water after the record, of which only the day's work counts [s]."""

WANDERS_DAYS = 180.0
"""Time within which the pace forgets by how much it strayed [days]."""


@dataclass(frozen=True)
class Wearing:
    """A house whose pump wears.

    truth : the house, `flow` with its wear; water : its inflow over the days of the record, see `world.inflow`
    lost : (LIFE_DAYS,) — share of the first flow that is lost by the end of each day
    """

    truth: Truth
    water: Array
    lost: Array

    def meets(self, need: float) -> float:
        """Day on which the flow falls to a share of that of its first weeks; infinite: not within LIFE_DAYS."""
        base = 1.0 - float(self.lost[: int(BASELINE_DAYS)].mean())
        below = np.flatnonzero(1.0 - self.lost <= need * base)
        return float(below[0]) + 0.5 if below.size else float("inf")


def wearing(truth: Truth, a_month: float, days: int, rng: np.random.Generator) -> Wearing:
    """A pump that loses `a_month` of its flow in the mean, with a record of so many days."""
    truth = replace(truth, wettest=float(rng.uniform(0.0, 365.0)))
    water = inflow(truth, days, rng)
    later = replace(truth, wettest=(truth.wettest or 0.0) - days)
    work = np.concatenate([
        _daily(water, STEP_S), _daily(inflow(later, LIFE_DAYS - days, rng, COARSE_S), COARSE_S)
    ])  # fmt: skip
    pace = a_month / 30.4 * work / work.mean() * _wander(float(rng.uniform(0.0, 0.5)), rng)
    jump = float(rng.uniform(0.001, 0.008))
    lost = np.cumsum(rng.gamma(pace / jump, jump))
    flow = np.concatenate([[0.0], lost])
    worn = replace(truth, flow=lambda day: 1.0 - np.interp(day, np.arange(flow.size), flow))
    return Wearing(worn, water, lost)


def _daily(water: Array, step_s: float) -> Array:
    return np.asarray(water.reshape(-1, round(DAY_S / step_s)).mean(axis=1), dtype=np.float64)


def _wander(spread: float, rng: np.random.Generator) -> Array:
    """Factor of the pace on each day, of mean 1: the exponential of a first-order autoregression, (LIFE_DAYS,)."""
    keep = float(np.exp(-1.0 / WANDERS_DAYS))
    fresh = np.sqrt(1.0 - keep**2) * rng.normal(0.0, spread, LIFE_DAYS)
    fresh[0] /= np.sqrt(1.0 - keep**2)
    return np.asarray(np.exp(lfilter([1.0], [1.0, -keep], fresh) - 0.5 * spread**2), dtype=np.float64)
