"""A pit on ground of three known reservoirs, rained on before a gauge, and what the inflow's model makes of it."""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from forecaster.maths.arrays import Array
from forecaster.twin.live import larkspur_site
from forecaster.water.inflow import Inflow
from forecaster.water.rain import DELAY_H

GAIN, TAU_H, BASE = (0.010, 0.015, 0.020), (2.7, 17.0, 65.0), 0.03
"""Share of the pump that 1 mm/h for ever brings by each reservoir, their time constants [h], and the base."""

START_MS = 1_772_323_200_000


def through_ground(rain_mm_per_h: Array, step_h: float) -> Array:
    """Inflow of every fine step as a share of the pump: a delay and three reservoirs as recursive filters of scipy."""

    def store(flow: Array, tau_h: float) -> Array:
        keeps = float(np.exp(-step_h / tau_h))
        return np.asarray(lfilter([1.0 - keeps], [1.0, -keeps], flow), dtype=np.float64)

    delayed = store(rain_mm_per_h, DELAY_H)
    return np.asarray(sum(gain * store(delayed, tau) for gain, tau in zip(GAIN, TAU_H, strict=True)), dtype=np.float64)


def rained_on() -> Inflow:
    """Forty days of twelve storms on a gauge, whole hours of the pump's energy heard."""
    site = larkspur_site()
    inflow = Inflow(site.pump, site.pit)
    rng = np.random.default_rng(5)
    hours = 24 * 40
    rain = np.zeros(hours)
    for at in np.arange(30, hours - 20, 76):
        rain[at : at + 4] = rng.gamma(2.0, 2.0, 4)
    fine = 50
    share = BASE + through_ground(np.repeat(rain, fine), 1.0 / fine).reshape(-1, fine).mean(axis=1)
    for hour in range(hours):
        start_ms = START_MS + hour * 3_600_000
        inflow.observe_rain(start_ms, start_ms + 3_600_000, float(rain[hour]))
        inflow.observe(start_ms, start_ms + 3_600_000, float(share[hour] * inflow.running_w))
    return inflow
