"""The rows of a discharge as a table: loads filled in, and the plug's energy smooth where runs are caught by chance."""

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


def with_loads(table: Array, loads_w: float) -> tuple[Array, Array]:
    """The table with loads filled in from the list where not measured, and 1 where they were filled in."""
    unknown = np.isnan(table[:, 1]).astype(np.float64)
    filled = table.copy()
    filled[:, 1] = np.where(unknown > 0.0, loads_w * table[:, 2], np.nan_to_num(table[:, 1]))
    return filled, unknown
