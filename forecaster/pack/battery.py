"""Formulas of batteries and inverters, each with its source."""

from __future__ import annotations

import numpy as np

from forecaster.domain.site import Chemistry
from forecaster.maths.arrays import Array, Paths

LEAD_ACID_TEMPERATURE_C = (-3.9, 4.4, 10.0, 21.1, 25.0)
LEAD_ACID_CAPACITY = (0.765, 0.845, 0.895, 0.975, 1.0)
"""Capacity fraction at the 8 h rate, "Uninterruptible Power Supplies and Standby Power Systems", p. 199."""

LITHIUM_TEMPERATURE_C = (-20.0, -10.0, 0.0, 10.0, 20.0)
IRON_PHOSPHATE_CAPACITY = (0.50, 0.68, 0.85, 0.96, 1.0)
LITHIUM_NICKEL_CAPACITY = (0.70, 0.80, 0.90, 0.96, 1.0)
"""Common practice at low rates, no source. What is quoted for iron phosphate in the cold lies far apart (45 to 70 % at
-20 °C, 80 to 90 % at 0 °C); the lower half is taken, and for lithium of no stated kind too."""

PEUKERT: dict[Chemistry, float] = {
    Chemistry.LITHIUM: 1.0,
    Chemistry.LITHIUM_IRON_PHOSPHATE: 1.05,
    Chemistry.LITHIUM_NICKEL: 1.05,
    Chemistry.AGM: 1.1,
    Chemistry.FLOODED: 1.25,
    Chemistry.LEAD_ACID: 1.2,
}
"""Peukert's exponent by kind: flooded 1.2 to 1.3, absorbent mat 1.05 to 1.15, lithium about 1.05, the middle of what is
commonly quoted. Lead-acid of no stated kind takes the mild end of flooded; lithium of no stated kind is left at 1,
where the doubt of its efficiency covers it. From memory."""

RESTED = 0.7
"""Share of the log of Peukert's cost that is left for a load with rests between runs. Common practice, no source."""


BENT = (-0.1, 1.1)
"""Shares of charge between which a gauge is taken to bend. A wrong count of energy may put the charge far outside,
where the cubic of the bend would outweigh every true change of the charge."""


def within_bend(charge: Paths) -> Paths:
    """The charge, clipped to BENT. charge : array of float — share of the energy that is left, not only 0..1"""
    return np.clip(charge, *BENT)


def reported_percent(charge: Paths, bow: Paths | float, skew: Paths | float = 0.0) -> Paths:
    """Charge as the pack reports it, before rounding [%]: 100 (x + x (1 - x) (bow + skew (1 - 2 x))), x the charge.

    charge : array of float — share of the energy that is left, 0..1; outside BENT the bend keeps its value at the end
    bow, skew : array of float or float — how far the gauge bends, as factors of the two terms, without unit

    A gauge that is right at full and at empty can stray only in between; the two terms are the lowest polynomials that
    vanish at both ends.
    """
    bent = within_bend(charge)
    bends = (-2.0 * skew) * bent
    bends += bow + skew
    bends *= bent
    bends *= 1.0 - bent
    bends += charge
    bends *= 100.0
    return np.asarray(bends)


def charge_at(percent: Array | float, bow: Array | float, skew: Array | float = 0.0) -> Array:
    """True share of charge at a reported charge, 0..1: `reported_percent` solved by four Newton steps.

    percent : array of float or float — reported charge, unrounded [%]; what is beyond 0..100 is taken as 0 or 100
    """
    share = np.minimum(np.maximum(np.asarray(percent, dtype=np.float64) / 100.0, 0.0), 1.0)
    x = np.asarray(share - share * (1.0 - share) * (bow + skew * (1.0 - 2.0 * share)), dtype=np.float64)
    for _ in range(4):
        error = reported_percent(x, bow, skew) / 100.0 - share
        x = np.minimum(np.maximum(x - error / reported_slope(x, bow, skew), 0.0), 1.0)
    return x


def reported_slope(charge: Array, bow: Array | float, skew: Array | float = 0.0) -> Array:
    """Derivative of the reported share of charge with respect to the true one: at least 0.2 within BENT, 1 outside."""
    slope = 1.0 + bow * (1.0 - 2.0 * charge) + skew * (1.0 - 6.0 * charge + 6.0 * charge**2)
    return np.where(charge == within_bend(charge), np.maximum(slope, 0.2), 1.0)


def temperature_factor(temperature_c: float, chemistry: Chemistry) -> float:
    """Usable capacity at a temperature as a share of that at 25 °C, 0..1, by the table of the chemistry.

    temperature_c : float — of the pack [°C]; beyond either end of the table, the value at that end holds
    """
    if not chemistry.is_lithium:
        return float(np.interp(temperature_c, LEAD_ACID_TEMPERATURE_C, LEAD_ACID_CAPACITY))
    nickel = chemistry is Chemistry.LITHIUM_NICKEL
    shares = LITHIUM_NICKEL_CAPACITY if nickel else IRON_PHOSPHATE_CAPACITY
    return float(np.interp(temperature_c, LITHIUM_TEMPERATURE_C, shares))


def peukert_hours(rated_hours: float, capacity_ah: float, current_a: float, exponent: float) -> float:
    """Hours that a full battery lasts at a steady current: t = H (C / (I H))^k (Peukert 1897).

    rated_hours : float — H, the time over which the capacity is rated [h]
    capacity_ah, current_a : float — C, the rated capacity [Ah], and I, the current [A], greater than 0
    exponent : float — k, as in PEUKERT, 1 for a battery without loss
    """
    return float(rated_hours * (capacity_ah / (current_a * rated_hours)) ** exponent)


def peukert_drain(power_w: float, capacity_wh: float, rated_hours: float = 20.0, exponent: float = 1.1) -> float:
    """Rated Wh that one Wh drawn at a power costs, 1 at the rated power: (P H / C)^(k-1), from `peukert_hours`.

    power_w, capacity_wh : float — P, the power drawn [W], and C, the rated capacity [Wh], greater than 0
    rated_hours, exponent : float — H [h] and k, as in `peukert_hours`
    """
    return float((power_w * rated_hours / capacity_wh) ** (exponent - 1.0))


def sandia_ac_w(dc_w: Array, paco: float, pdco: float, pso: float, c0: float) -> Array:
    """Inverter output [W] at rated battery voltage (SAND2007-5036, eq. 1 with C1 = C2 = C3 = 0).

    dc_w : array of float — power drawn from the battery [W]
    paco, pdco : float — rated output and the input that it takes [W]; pso : float — input at no output [W]
    c0 : float — curvature of output over input [1/W]
    """
    above = dc_w - pso
    span = pdco - pso
    return np.asarray((paco / span - c0 * span) * above + c0 * above**2, dtype=np.float64)
