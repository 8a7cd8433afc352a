"""Storms of a rain table carried through the pit's own answer to rain: what its worst hours would bring.

A depth-duration-frequency table gives the rain of several durations that comes once in so many years. They are nested
in one storm, the strongest in its middle (alternating blocks; Chow, Maidment, Mays, *Applied Hydrology*, 14.4), which
then runs through the reservoirs that the bank of filters has learnt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.water.outflow import Draws
from forecaster.water.rain import DELAY_H

STEP_H = 0.25
"""Length of the blocks of a storm [h]."""

AFTER_H = 12.0
"""How long after its end a storm is followed [h]: the reservoirs have given their worst hours by then."""

LEAST_STORMS = 5
"""Storms that the gauge must have seen before the pit's answer to rain counts as learnt. This project's own choice."""


def alternating_blocks(hours: Array, depth_mm: Array, step_h: float = STEP_H) -> Array:
    """The storm, depths of each step in turn [mm], in which every duration brings its depth.

    hours : (N,) — durations, rising [h]; depth_mm : (N,) — the depth of each, rising [mm]
    Between durations the depth follows a power of the duration; within the shortest it rains evenly.
    """
    ends = np.arange(1, round(float(hours[-1]) / step_h) + 1) * step_h
    fallen = np.exp(np.interp(np.log(ends), np.log(hours), np.log(depth_mm)))
    fallen = np.where(ends < hours[0], depth_mm[0] * ends / hours[0], fallen)
    blocks = np.sort(np.diff(fallen, prepend=0.0))[::-1]
    return np.concatenate([blocks[2::2][::-1], blocks[:1], blocks[1::2]])


@dataclass(frozen=True, slots=True)
class Response:
    """How a pit answers rain, in D draws.

    gain : (D, 3) — inflow of each reservoir as a share of what the pump lifts, per mm/h of rain that lasts [h/mm]
    tau_h : (D, 3) — their time constants [h]; storms : float — how many storms it was learnt from
    """

    gain: Array
    tau_h: Array
    storms: float

    @staticmethod
    def of(drawn: Draws, running_w: float, storms: float) -> Response | None:
        """From draws of the bank; None where rain is not measured. running_w : float — the pump's power [W]"""
        return None if drawn.gains is None else Response(drawn.gains / running_w, drawn.tau_h, storms)

    def worst(self, blocks_mm: Array, hours: float, step_h: float = STEP_H) -> Array:
        """Mean inflow of the worst so many hours of a storm as a share of what the pump lifts, (D,), from dry ground.

        blocks_mm : (B,) — depth of each step [mm]
        """
        steps = blocks_mm.size + round(AFTER_H / step_h)
        at_h = np.arange(steps + 1, dtype=np.float64) * step_h
        scales_h, place = np.unique(self.tau_h.ravel(), return_inverse=True)
        each = np.diff(_given_h(at_h, np.asarray(scales_h, dtype=np.float64)), axis=1)
        given = np.stack([np.convolve(one, blocks_mm / step_h)[:steps] for one in each])
        number = round(hours / step_h)
        whole = np.concatenate([np.zeros((scales_h.size, 1)), given], axis=1)
        mean = (whole[:, number:] - whole[:, :-number]) / hours
        place = place.reshape(self.tau_h.shape)
        brought = sum(self.gain[:, k, None] * mean[place[:, k]] for k in range(self.gain.shape[1]))
        return np.asarray(np.max(brought, axis=1), dtype=np.float64)


def _given_h(since_h: Array, tau_h: Array) -> Array:
    """What steady rain that began so long ago has brought through the delay and a reservoir, (S, T) [h], per unit."""
    tau = np.where(np.abs(tau_h - DELAY_H) < 1e-3, tau_h + 2e-3, tau_h)[:, None]
    kept = tau**2 * -np.expm1(-since_h / tau) - DELAY_H**2 * -np.expm1(-since_h / DELAY_H)
    return np.asarray(since_h - kept / (tau - DELAY_H), dtype=np.float64)
