"""What of the nameplate capacity can be counted on: cold, age, and the rate at which a lead-acid battery is drained."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecaster.domain.site import Chemistry, Pack
from forecaster.sizing.terms import Step, number

LEAD_ACID_BY_TEMPERATURE: tuple[tuple[float, float], ...] = (
    (-3.9, 0.765), (4.4, 0.845), (10.0, 0.895), (21.1, 0.975), (25.0, 1.0),
)  # fmt: skip
"""Share of capacity by temperature [°C] at the 8 h rate.
Source: Uninterruptible Power Supplies and Standby Power Systems, p. 199."""

LITHIUM_BY_TEMPERATURE: tuple[tuple[float, float], ...] = ((-20.0, 0.6), (-10.0, 0.75), (0.0, 0.87), (25.0, 1.0))
"""Share of capacity by temperature [°C] while discharging. Common practice, no source."""

END_OF_LIFE_SHARE = 0.8
"""A battery is replaced at 80 % of its capacity; dividing by it is the ageing factor 1.25 of IEEE 485 practice."""

PEUKERT_EXPONENT = 1.2
"""For a lead-acid battery of unknown build: flooded 1.2 to 1.3, sealed glass-mat 1.05 to 1.15."""

PEUKERT_RATED_H = 20.0
"""The discharge time at which lead-acid capacity is stated [h]."""


@dataclass(frozen=True, slots=True)
class Margins:
    """Shares of the nameplate capacity, 0..1 each, and their steps."""

    cold: float
    age: float
    rate: float
    steps: tuple[Step, ...]

    @property
    def share(self) -> float:
        """All together."""
        return self.cold * self.age * self.rate


def peukert_hours(capacity_ah: float, current_a: float, exponent: float, rated_h: float = PEUKERT_RATED_H) -> float:
    """Hours at a constant current: t = H (C / (I H))^k. Any one unit of charge and charge per hour will do."""
    return float(rated_h * (capacity_ah / (current_a * rated_h)) ** exponent)


def rate_share(capacity_wh: float, drain_w: float, exponent: float = PEUKERT_EXPONENT) -> float:
    """Share of capacity left at a drain [W] faster than the rated one; a slower drain is not credited above 1."""
    if drain_w <= capacity_wh / PEUKERT_RATED_H:
        return 1.0
    return peukert_hours(capacity_wh, drain_w, exponent) * drain_w / capacity_wh


def temperature_share(chemistry: Chemistry, temperature_c: float) -> float:
    """Share of capacity at a temperature [°C], straight between the tabled points, level beyond them."""
    table = LEAD_ACID_BY_TEMPERATURE if chemistry is Chemistry.LEAD_ACID else LITHIUM_BY_TEMPERATURE
    points, shares = zip(*table, strict=True)
    return float(np.interp(temperature_c, points, shares))


def margins(pack: Pack, drain_w: float, temperature_c: float | None, end_of_life: bool) -> Margins:
    """The margins asked for, and Peukert's for lead-acid at the mean drain [W]."""
    steps: list[Step] = []
    cold = 1.0 if temperature_c is None else temperature_share(pack.chemistry, temperature_c)
    if temperature_c is not None:
        steps.append(Step("capacity in the cold", f"table at {number(temperature_c)} °C", cold, "of nominal"))
    age = END_OF_LIFE_SHARE if end_of_life else 1.0
    if end_of_life:
        steps.append(
            Step("capacity at the end of life", "1 / ageing factor 1.25 (IEEE 485 practice)", age, "of nominal")
        )
    rate = rate_share(pack.nominal_wh, drain_w) if pack.chemistry is Chemistry.LEAD_ACID else 1.0
    if pack.chemistry is Chemistry.LEAD_ACID:
        formula = f"Peukert k {PEUKERT_EXPONENT} at {number(drain_w)} W, stated at {number(PEUKERT_RATED_H)} h"
        steps.append(Step("capacity at this drain", formula, rate, "of nominal"))
    return Margins(cold, age, rate, tuple(steps))
