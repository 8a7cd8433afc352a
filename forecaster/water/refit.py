"""Tuning a site's constants on its own history: a finer bank around what the coarse one found, run over the past."""

from __future__ import annotations

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.water.recession import Candidates, grid

LEVELS = np.array([0.15, 0.5, 0.85])
BOUNDS_H = ((0.5, 9.0), (6.0, 48.0), (40.0, 400.0))
CELL = 0.35
"""How far a candidate stands for its neighbourhood, on a log scale: half the distance of the coarse grid."""


def finer(candidates: Candidates, weights: Array) -> Candidates:
    """A grid of as many candidates, moved to where the weights are.

    weights : (K,) — of the present candidates, sum 1

    Each time constant gets the quantiles of the mixture that its weights make; equal weights leave the spread as it is.
    """
    constants = [
        _spots(candidates.tau_h[:, k], weights, LEVELS if k < 2 else LEVELS[[0, 2]], BOUNDS_H[k]) for k in range(3)
    ]
    pairs = sorted({(float(s), float(h)) for s, h in zip(candidates.wobble, candidates.wobble_h, strict=True)})
    return grid(constants[0], constants[1], constants[2], tuple(pairs))


def _spots(values: Array, weights: Array, levels: Array, bounds: tuple[float, float]) -> tuple[float, ...]:
    """Quantiles [h] at some levels, 0..1, of a mixture of log-normal laws, one about each candidate's value [h]."""
    logs = np.linspace(np.log(bounds[0]), np.log(bounds[1]), 160)
    density = np.exp(-0.5 * ((logs[:, None] - np.log(values)) / CELL) ** 2) @ weights
    below = np.cumsum(density)
    return tuple(np.exp(np.interp(levels * below[-1], below, logs)).tolist())
