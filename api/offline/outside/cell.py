"""A pack of PyBaMM's electrochemical cells under a pump's power, behind a gauge that counts charge.

The cell is the single particle model of an LG M50 (parameter set Chen2020, Chen et al. 2020, J. Electrochem. Soc. 167).
It gives power: as its voltage falls its current grows, and at 2.5 V it is empty, whatever the gauge says.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np

from forecaster.maths.arrays import Array

RATED_AH, RATED_V, STEP_S = 5.0, 3.6, 60.0
"""The cell's rated charge, its nominal voltage, and the step over which the power is averaged."""


@dataclass(frozen=True)
class CountingGauge:
    """Counts charge, and strays: gain : of the current measured; percent_per_h : of drift whatever flows."""

    gain: float
    percent_per_h: float

    def percent(self, given_ah: Array, hours: Array) -> Array:
        """The charge shown, unrounded [%], for the charge given [Ah] some hours after full."""
        counted = 100.0 * (1.0 - (1.0 + self.gain) * given_ah / RATED_AH) - self.percent_per_h * hours
        return np.minimum.accumulate(np.clip(counted, 0.0, 100.0))


@dataclass(frozen=True)
class CellDischarge:
    """Charge that a cell has given until it was empty or the power ended: times [s], Ah; whether it was emptied."""

    times_s: Array
    given_ah: Array
    emptied: bool


def discharge(cell_w: Array) -> CellDischarge:
    """The cell under mean powers of steps of STEP_S [W], from full."""
    os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")
    import pybamm

    times = STEP_S * np.arange(cell_w.size)
    values = pybamm.ParameterValues("Chen2020")
    values.update({"Power function [W]": pybamm.Interpolant(times, cell_w, pybamm.t)}, check_already_exists=False)
    model = pybamm.lithium_ion.SPM({"operating mode": "power"})
    solution = pybamm.Simulation(model, parameter_values=values).solve(times, t_interp=times)
    return CellDischarge(
        np.asarray(solution.t, dtype=np.float64),
        np.asarray(solution["Discharge capacity [A.h]"].entries, dtype=np.float64),
        "Minimum voltage" in solution.termination,
    )
