"""The plug's energy as a smooth course over time, where samples catch the pump's runs by chance."""

from __future__ import annotations

import numpy as np

from forecaster.maths.arrays import Array

BENT_FROM = 12
"""Rows, the start among them, from which the plug's energy over time is fitted with a parabola, not a straight line."""


def smoothed(table: Array, lump_wh: float) -> Array:
    """The table with the plug's energy as a smooth function of time, which is what the pump most likely used.

    One catch more or less says nothing of what the battery gave in that stretch. Were each stretch taken as counted,
    the fall of the charge where nothing was caught would be put down to the pack itself (errors in variables; smooth
    time is the instrument, Fuller 1987, Measurement Error Models, sec. 1.4). The energy never falls with time.
    """
    hours, wh = table[:, 2], table[:, 0]
    even_wh = (wh.max() + lump_wh) * hours / max(float(hours.max()), 1e-6)
    course = even_wh
    if hours.size >= BENT_FROM:
        powers = np.stack([hours, hours**2], axis=1)
        bent = powers @ np.linalg.lstsq(powers, wh, rcond=None)[0]
        course = np.maximum.accumulate(np.maximum(bent, 0.2 * even_wh))
    smooth = table.copy()
    smooth[:, 0] = course
    return smooth
