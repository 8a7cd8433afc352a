"""What the reported charge tells: the moments at which its step changed, and the belief that they leave.

A reported charge of whole percents says little by its value and much by its changes: at a change, the unrounded charge
stood on a step's edge, to within what was drawn between two samples. Each change is one nonlinear equation

    reported(start - drain / capacity) = edge,  drain = cost (plug + loads) + idle hours - charging

in the unknowns; all changes of a discharge with the prior give a posterior by Gauss-Newton steps and its curvature
(Laplace's approximation; Gelman et al., Bayesian Data Analysis, 3rd ed., sec. 4.1), with outliers down-weighted as
under a Student-t error (Lange, Little, Taylor 1989). Whether the gauge rounds, cuts or rounds up is not told by anyone:
the three are fitted side by side and weighted by their evidence.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.pack.battery import charge_at, reported_percent, reported_slope

CAPACITY, COST, IDLE, LOADS, BOW, SKEW, START = range(7)
"""Unknowns: log capacity [Wh], log cost (DC Wh for one AC Wh), log idle [W], log of other loads over those listed, bow
and skew of the reported charge, and the true share of charge at the start."""

SHARED = 6
"""The first so many belong to the pack, the rest to one discharge."""

ROUNDINGS = np.array([0.0, 0.5, -0.5])
ROUNDING_PRIOR = np.array([0.5, 0.4, 0.1])
"""How far above the middle between two shown values the edge lies [steps]: rounded, cut, rounded up."""

CHARGE_ACCEPTED = 0.97
"""Share of the energy into the battery that can be drawn again (common practice for lithium, no source)."""

GAUGE_NOISE_PERCENT = 0.08
"""What a fuel gauge strays by beyond its bow [%] (common practice, no source)."""

THIN_PERCENT = 0.5
"""Changes closer than this to the last one kept add nothing [%]."""

STUDENT = 5.0
"""Degrees of freedom of a change's error."""

STEPS = 6
"""Gauss-Newton steps; the equations are so nearly linear that three suffice mostly."""

FULL_SPREAD_PERCENT = 0.15

BENT_FROM = 12
"""Changes from which the plug's energy over time is taken for a bent course rather than a straight one."""


@dataclass(frozen=True, slots=True)
class Row:
    """Counted since the start: pump Wh at the plug, other loads' Wh where measured, hours, Wh into the pack; and what
    one sample of the running pump stands for where runs are caught by chance [Wh].
    """

    plug_wh: float
    loads_wh: float | None
    hours: float
    charging_wh: float
    lump_wh: float = 0.0


@dataclass(slots=True)
class ChargeSteps:
    """Changes of the reported charge during one discharge.

    start_percent : float | None — reported at the start [%]; None: nothing reports it, taken for full
    start_spread : float | None — how far the start may be from a guess [%]; None: it was read
    rows : list of [plug, loads or nan, hours, charging] halfway between the samples around each change
    widths : list of the same, between those samples
    edges, spreads : list of float — reported charge there [%], and its spread beyond the width [%]
    lump_wh : float — the plug energy counts lumps of this size, caught by chance [Wh]; 0: it is exact
    """

    start_percent: float | None = None
    start_spread: float | None = None
    rows: list[list[float]] = field(default_factory=list)
    widths: list[list[float]] = field(default_factory=list)
    edges: list[float] = field(default_factory=list)
    spreads: list[float] = field(default_factory=list)
    last: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0, 0.0])
    lump_wh: float = 0.0

    @classmethod
    def of(cls, saved: dict[str, Any]) -> ChargeSteps:
        """The evidence that was saved with `asdict`; JSON has no NaN, so null stands for it."""
        self = cls(**saved)
        self.rows, self.widths = [_nan(row) for row in self.rows], [_nan(row) for row in self.widths]
        self.last = _nan(self.last)
        return self.copy()

    @property
    def changes(self) -> int:
        """How many changes are kept."""
        return len(self.edges)

    def copy(self) -> ChargeSteps:
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
        """A start that was guessed rather than read: charge [%] and its spread [%]."""
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
        if self.edges and abs(edge - self.edges[-1]) < max(THIN_PERCENT, 0.9 * step):
            return
        self.lump_wh = row.lump_wh
        self.rows.append(halfway)
        self.widths.append(width)
        self.edges.append(edge)
        self.spreads.append(spread)


def _nan(row: list[float | None] | list[float]) -> list[float]:
    return [float("nan") if value is None else value for value in row]


def _flat(row: Row) -> list[float]:
    return [row.plug_wh, float("nan") if row.loads_wh is None else row.loads_wh, row.hours, row.charging_wh]


@dataclass(frozen=True, slots=True)
class ChargeContext:
    """What the equations need beside the evidence.

    loads_w : float — mean power of the listed loads [W], used where their energy is not measured
    swing_wh : float — how far the listed loads' energy strays from its mean within their cycles [Wh]
    factor : float — capacity at the present temperature over that at 25 °C
    step : float — step of the reported charge [%]
    """

    loads_w: float
    swing_wh: float
    factor: float
    step: float


@dataclass(frozen=True, slots=True)
class Posterior:
    """Means (3, 7), covariances (3, 7, 7) and weights (3,) of the unknowns under each rounding."""

    mean: Array
    covariance: Array
    weight: Array


def posterior(
    mean: Array, covariance: Array, rounding: Array, evidence: ChargeSteps, scene: ChargeContext
) -> Posterior:
    """Belief over all unknowns, from the pack's prior and one discharge's evidence.

    mean (SHARED,), covariance (SHARED, SHARED), rounding (3,) : the pack's prior
    """
    start = 100.0 if evidence.start_percent is None else evidence.start_percent
    full = start >= 100.0 - scene.step / 2.0
    prior_mean = np.append(mean, charge_at(start, mean[BOW], mean[SKEW]))
    precision = np.zeros((7, 7))
    precision[:SHARED, :SHARED] = np.linalg.inv(covariance)
    precision[START, START] = 1.0 / 0.2**2
    table, unknown = _with_loads(np.array([[0.0] * 4, *evidence.rows]), scene.loads_w)
    width, _ = _with_loads(np.array([[0.0] * 4, *evidence.widths]), scene.loads_w)
    edge = np.array([start, *evidence.edges]) + scene.step * ROUNDINGS[:, None]
    own = np.array([scene.step / 12.0**0.5, *(np.hypot(s, GAUGE_NOISE_PERCENT) for s in evidence.spreads)])
    if evidence.start_spread is not None:
        edge[:, 0], own[0] = start, evidence.start_spread
    elif full:
        edge[:, 0] = 100.0
        own[0] = FULL_SPREAD_PERCENT if evidence.start_percent is not None else 3.0
    smooth = _smoothed(table, evidence.lump_wh)
    earlier = np.minimum.outer(smooth[:, 0], smooth[:, 0])
    theta = np.repeat(prior_mean[None, :], 3, axis=0)
    information = np.repeat(precision[None], 3, axis=0)
    loss = np.zeros(3)
    for _ in range(STEPS):
        error, slope, variance = _linearise(theta, table, width, unknown, edge, own, scene)
        if evidence.lump_wh <= 0.0:
            weighted, misfit = _apart(error, slope, variance)
        else:
            _, slope, variance = _linearise(theta, smooth, width, unknown, edge, own, scene)
            pull = slope[..., START] * np.exp(theta[:, COST] - theta[:, CAPACITY])[:, None] / scene.factor
            walk = evidence.lump_wh * pull[:, :, None] * earlier * pull[:, None, :]
            weighted, misfit = _together(error, slope, variance, walk)
        information = precision + weighted @ slope
        away = theta - prior_mean
        gradient = (weighted @ error[:, :, None])[:, :, 0] - away @ precision
        loss = misfit + 0.5 * np.einsum("hi,ij,hj->h", away, precision, away)
        move = np.linalg.solve(information, gradient[..., None])[..., 0]
        theta = theta + np.clip(move, -0.5, 0.5)
        if np.max(np.abs(move)) < 1e-3:
            break
    log_weight = np.log(rounding) - loss - 0.5 * np.linalg.slogdet(information)[1]
    raw = np.exp(log_weight - log_weight.max())
    return Posterior(theta, np.asarray(np.linalg.inv(information)), raw / raw.sum())


def _apart(error: Array, slope: Array, variance: Array) -> tuple[Array, Array]:
    """Slopes over the errors' variances (3, 7, n) and misfits (3,), of changes whose errors are each their own."""
    square = error**2 / variance
    trust = _trust(square)
    weighted = (slope * (trust / variance)[:, :, None]).transpose(0, 2, 1)
    return weighted, np.asarray(0.5 * np.sum(trust * square + np.log(variance), axis=1))


def _together(error: Array, slope: Array, variance: Array, shared: Array) -> tuple[Array, Array]:
    """As `_apart`, of changes that also share the errors of what was counted before them.

    shared : (3, n, n) — covariances [%²]: a count of catches strays like a random walk, so two changes share the
        variance of the earlier one (generalised least squares)
    """
    trust = _trust(error**2 / (variance + np.diagonal(shared, axis1=1, axis2=2)))
    spots = np.arange(error.shape[1])
    joint = shared.copy()
    joint[:, spots, spots] += variance / trust
    solved = np.linalg.solve(joint, np.concatenate([slope, error[:, :, None]], axis=2))
    weighted, square = solved[:, :, :-1].transpose(0, 2, 1), np.sum(error * solved[:, :, -1], axis=1)
    root = np.diagonal(np.linalg.cholesky(joint), axis1=1, axis2=2)
    return weighted, np.asarray(0.5 * square + np.sum(np.log(root), axis=1) + 0.5 * np.sum(np.log(trust), axis=1))


def _smoothed(table: Array, lump_wh: float) -> Array:
    """The table with the plug's energy as a smooth course of time, what the pump most likely used.

    A catch more or less says nothing of what the battery gave in that stretch; were each stretch taken as counted, the
    fall of the charge in stretches without a catch would be put down to the pack itself (errors in variables; smooth
    time is the instrument, Fuller 1987, Measurement Error Models, sec. 1.4). Rising always, by at least a catch in all.
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


def _trust(square: Array) -> Array:
    """Weights of errors by their squares over the variance, as under a Student-t error; the start is always trusted."""
    trust = np.minimum((STUDENT + 1.0) / (STUDENT + square), 1.0)
    trust[:, 0] = 1.0
    return trust


def _with_loads(table: Array, loads_w: float) -> tuple[Array, Array]:
    """The table with loads filled in from the list where not measured, and 1 where they were filled in."""
    unknown = np.isnan(table[:, 1]).astype(np.float64)
    filled = table.copy()
    filled[:, 1] = np.where(unknown > 0.0, loads_w * table[:, 2], np.nan_to_num(table[:, 1]))
    return filled, unknown


def _linearise(
    theta: Array, table: Array, width: Array, unknown: Array, edge: Array, own: Array, scene: ChargeContext
) -> tuple[Array, Array, Array]:
    """Errors (3, n) [%], slopes of the reported charge (3, n, 7) and variances (3, n) [%²]."""
    part = np.exp(theta[:, :BOW])[:, :, None]
    capacity, cost, idle, scale = part[:, CAPACITY] * scene.factor, part[:, COST], part[:, IDLE], part[:, LOADS]
    share = np.where(unknown > 0.0, scale, 1.0)
    loads = table[:, 1] * share
    outlet = cost * (table[:, 0] + loads)
    drain = outlet + idle * table[:, 2] - CHARGE_ACCEPTED * table[:, 3]
    charge = theta[:, START, None] - drain / capacity
    bow, skew = theta[:, BOW, None], theta[:, SKEW, None]
    rate = 100.0 * reported_slope(charge, bow, skew)
    room = 100.0 * charge * (1.0 - charge)
    slope = np.empty((*charge.shape, 7))
    slope[..., CAPACITY] = rate * drain / capacity
    slope[..., COST] = -rate * outlet / capacity
    slope[..., IDLE] = -rate * idle * table[:, 2] / capacity
    slope[..., LOADS] = -rate * cost * loads * unknown / capacity
    slope[..., BOW] = room
    slope[..., SKEW] = room * (1.0 - 2.0 * charge)
    slope[..., START] = rate
    error = edge - reported_percent(charge, bow, skew)
    went = np.abs(cost * (width[:, 0] + width[:, 1] * share) + idle * width[:, 2])
    strayed = np.hypot(went / 12.0**0.5, cost * scene.swing_wh * unknown) * rate / capacity
    strayed[:, 0] = 0.0
    return error, slope, own**2 + strayed**2
