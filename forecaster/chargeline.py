"""What the reported charge tells: the moments at which its step changed, and the belief that they leave.

A reported charge of whole percents says little by its value and much by its changes: at a change, the unrounded charge
stood on a step's edge, to within what was drawn between two samples. Each change is one nonlinear equation

    reported(start - drain / capacity) = edge,  drain = cost (plug + loads) + idle hours - charging

in the unknowns; all changes of a discharge with the prior give a posterior by Gauss-Newton steps and its curvature
(Laplace's approximation; Gelman et al., Bayesian Data Analysis, 3rd ed., sec. 4.1), with outliers down-weighted as
under a Student-t error (Lange, Little, Taylor 1989).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from forecaster.battery import charge_at, reported_percent

Array = NDArray[np.float64]

CAPACITY, COST, IDLE, LOADS, BOW, OFFSET, START = range(7)
"""Unknowns: log capacity [Wh], log cost (DC Wh for one AC Wh), log idle [W], log of other loads over listed, bow at
half charge, where within a step it turns over [steps], and true share of charge at the start."""

SHARED = 6
"""The first so many belong to the pack, the rest to one discharge."""

CHARGE_ACCEPTED = 0.97
"""Share of the energy into the battery that can be drawn again (common practice for lithium, no source)."""

GAUGE_NOISE_PERCENT = 0.12
"""What a fuel gauge strays by beyond its bow [%] (common practice, no source)."""

THIN_PERCENT = 0.5
"""Changes closer than this to the last one kept add nothing [%]."""

STUDENT = 5.0
"""Degrees of freedom of a change's error."""

STEPS = 5
"""Gauss-Newton steps; the equations are so nearly linear that two or three suffice."""


@dataclass(frozen=True, slots=True)
class Row:
    """Counted since the start: pump Wh at the plug, other loads' Wh where measured, hours, Wh into the pack."""

    plug_wh: float
    loads_wh: float | None
    hours: float
    charging_wh: float


@dataclass(slots=True)
class Evidence:
    """Changes of the reported charge during one discharge.

    rows : list of [plug, loads or nan, hours, charging] halfway between the samples around each change
    widths : list of the same, between those samples
    edges, spreads : list of float — reported charge there [%], and its spread beyond the width [%]
    """

    start_percent: float = 100.0
    start_spread: float = 0.15
    rows: list[list[float]] = field(default_factory=list)
    widths: list[list[float]] = field(default_factory=list)
    edges: list[float] = field(default_factory=list)
    spreads: list[float] = field(default_factory=list)
    last: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0, 0.0])

    @property
    def changes(self) -> int:
        """How many changes are kept."""
        return len(self.edges)

    def copy(self) -> Evidence:
        """The same evidence, to be added to apart."""
        return replace(
            self,
            rows=list(self.rows),
            widths=list(self.widths),
            edges=list(self.edges),
            spreads=list(self.spreads),
            last=list(self.last),
        )

    def start(self, percent: float, spread: float) -> None:
        """Reported charge at the start [%] and how far the true one may be from it [%]."""
        self.start_percent, self.start_spread = percent, spread

    def wait(self, row: Row) -> None:
        """A sample that shows no change."""
        self.last = _flat(row)

    def change(self, row: Row, before: float, after: float, step: float) -> None:
        """A sample that shows another charge than the one before it [%]."""
        here = _flat(row)
        width = [b - a for a, b in zip(self.last, here, strict=True)]
        if abs(after - before) <= 1.5 * step:
            edge, spread, halfway = (before + after) / 2.0, 0.0, [b - w / 2.0 for b, w in zip(here, width, strict=True)]
        else:
            edge, spread, halfway, width = after, step / 12.0**0.5, here, [0.0] * 4
        self.last = here
        nearest = self.edges[-1] if self.edges else self.start_percent
        if self.edges and abs(edge - nearest) < max(THIN_PERCENT, 0.9 * step):
            return
        self.rows.append(halfway)
        self.widths.append(width)
        self.edges.append(edge)
        self.spreads.append(spread)


def _flat(row: Row) -> list[float]:
    return [row.plug_wh, float("nan") if row.loads_wh is None else row.loads_wh, row.hours, row.charging_wh]


def posterior(
    mean: Array, covariance: Array, evidence: Evidence, loads_w: float, capacity_factor: float, step: float
) -> tuple[Array, Array]:
    """Mean (7,) and covariance (7, 7) of all unknowns, from the pack's prior (SHARED,) and one discharge's evidence.

    loads_w : float — mean power of the listed loads [W], used where their energy is not measured
    capacity_factor : float — capacity at the present temperature over that at 25 °C
    step : float — step of the reported charge [%]
    """
    table = np.array([[0.0, 0.0, 0.0, 0.0], *evidence.rows])
    width = np.array([[0.0, 0.0, 0.0, 0.0], *evidence.widths])
    edge = np.array([evidence.start_percent, *evidence.edges])
    own = np.array([evidence.start_spread, *(np.hypot(s, GAUGE_NOISE_PERCENT) for s in evidence.spreads)])
    table, unknown = _with_loads(table, loads_w)
    width, _ = _with_loads(width, loads_w)
    prior_mean = np.append(mean, charge_at(evidence.start_percent, mean[BOW]))
    precision = np.zeros((7, 7))
    precision[:SHARED, :SHARED] = np.linalg.inv(covariance)
    precision[START, START] = 1.0 / 0.2**2
    theta = prior_mean.copy()
    information = precision
    for _ in range(STEPS):
        error, slope, rate = _linearise(theta, table, unknown, edge, capacity_factor, step)
        seen = _width_percent(theta, width, unknown, capacity_factor) * np.abs(rate) / 12.0**0.5
        variance = own**2 + seen**2
        trust = (STUDENT + 1.0) / (STUDENT + error**2 / variance)
        trust[0] = 1.0
        weight = np.minimum(trust, 1.0) / variance
        information = precision + slope.T @ (slope * weight[:, None])
        gradient = slope.T @ (weight * error) - precision @ (theta - prior_mean)
        move = np.linalg.solve(information, gradient)
        theta = theta + np.clip(move, -0.5, 0.5)
        if np.max(np.abs(move)) < 1e-5:
            break
    return np.asarray(theta, dtype=np.float64), np.asarray(np.linalg.inv(information), dtype=np.float64)


def _with_loads(table: Array, loads_w: float) -> tuple[Array, Array]:
    """The table with loads filled in from the list where not measured, and 1 where they were filled in."""
    unknown = np.isnan(table[:, 1]).astype(np.float64)
    filled = table.copy()
    filled[:, 1] = np.where(unknown > 0.0, loads_w * table[:, 2], np.nan_to_num(table[:, 1]))
    return filled, unknown


def _linearise(
    theta: Array, table: Array, unknown: Array, edge: Array, factor: float, step: float
) -> tuple[Array, Array, Array]:
    """Errors (n,), slopes of the reported charge (n, 7), and its slope over true charge (n,), in percent."""
    capacity = np.exp(theta[CAPACITY]) * factor
    cost, idle, scale = np.exp(theta[COST]), np.exp(theta[IDLE]), np.exp(theta[LOADS])
    loads = table[:, 1] * np.where(unknown > 0.0, scale, 1.0)
    drain = cost * (table[:, 0] + loads) + idle * table[:, 2] - CHARGE_ACCEPTED * table[:, 3]
    charge = theta[START] - drain / capacity
    bow = theta[BOW]
    rate = 100.0 * (1.0 + 4.0 * bow * (1.0 - 2.0 * charge))
    slope = np.empty((edge.size, 7))
    slope[:, CAPACITY] = rate * drain / capacity
    slope[:, COST] = -rate * cost * (table[:, 0] + loads) / capacity
    slope[:, IDLE] = -rate * idle * table[:, 2] / capacity
    slope[:, LOADS] = -rate * cost * loads * unknown / capacity
    slope[:, BOW] = 400.0 * charge * (1.0 - charge)
    slope[:, OFFSET] = -step
    slope[0, OFFSET] = 0.0
    slope[:, START] = rate
    shift = theta[OFFSET] * step * np.ones(edge.size)
    shift[0] = 0.0
    error = edge + shift - reported_percent(charge, bow)
    return error, slope, rate


def _width_percent(theta: Array, width: Array, unknown: Array, factor: float) -> Array:
    """How much true charge went between the two samples around each change, as a share."""
    scale = np.where(unknown > 0.0, np.exp(theta[LOADS]), 1.0)
    drain = np.exp(theta[COST]) * (width[:, 0] + width[:, 1] * scale) + np.exp(theta[IDLE]) * width[:, 2]
    return np.asarray(np.abs(drain) / (np.exp(theta[CAPACITY]) * factor), dtype=np.float64)
