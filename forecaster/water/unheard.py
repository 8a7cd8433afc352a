"""The mean power of a pump that was never heard."""

from __future__ import annotations

import numpy as np

from forecaster.maths.arrays import Array

PRIOR_DUTY, PRIOR_DUTY_SPREAD = 0.04, 1.0
"""The pump runs 4 % of the time, within a factor of e (common practice, no source)."""

RISE_SPREAD, FALL_SPREAD = 0.7, 0.25
"""Standard deviation of the log of the mean power from now on over that since the outage began, upwards and downwards:
a storm raises it by more than a recession lowers it (common practice, no source)."""


def unheard_w(running_w: float, z: Array, *, told: bool = False) -> Array:
    """Mean power [W] for standard normal numbers, in their shape, at most the running power.

    told : bool — whether something else tells its level, so that only what may change is added to the usual one
    """
    spread = np.where(z > 0.0, RISE_SPREAD, FALL_SPREAD) if told else PRIOR_DUTY_SPREAD
    return np.asarray(np.minimum(running_w * PRIOR_DUTY * np.exp(spread * z), running_w))
