"""What the reported charge tells: the moments at which its step changed, and the belief that they leave.

A reported charge of whole percents says little by its value and much by its changes: at a change, the unrounded charge
stood on a step's edge, to within what was drawn between two samples. Each change is one nonlinear equation

    reported(start - drain / capacity) = edge,  drain = cost (plug + loads) + idle hours - charging

in the unknowns; all changes of a discharge with the prior give a posterior by Gauss-Newton steps and its curvature
(Laplace's approximation; Gelman et al., Bayesian Data Analysis, 3rd ed., sec. 4.1), with outliers down-weighted as
under a Student-t error (Lange, Little, Taylor 1989). Whether the gauge rounds, cuts or rounds up is not told by anyone,
nor how far it strays from a smooth line: three of each are fitted side by side and weighted by their evidence.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.pack.battery import charge_at, reported_percent, reported_slope, within_bend
from forecaster.pack.course import smoothed, with_loads
from forecaster.pack.stray import LEAN_PRECISION, SCALES, hedged, stray_covariance

CAPACITY, COST, IDLE, LOADS, BOW, SKEW, START, UNHEARD = range(8)
"""Unknowns: log capacity [Wh], log cost (DC Wh for one AC Wh), log idle [W], log of other loads over those listed, bow
and skew of the reported charge, the true share of charge at the start, and log of what the pump used while it was not
heard over what was booked for it."""

SHARED = 6
"""So many of the unknowns, from the first on, belong to the pack; the rest belong to one discharge."""

UNKNOWNS = 8
COLUMNS = 5
"""Columns of a row: plug [Wh], loads [Wh], hours [h], charging [Wh], booked unheard [Wh]."""

UNHEARD_SPREAD = 0.6
"""Standard deviation of the log of what the pump used unheard over what was booked (common practice, no source)."""

ROUNDINGS = np.array([0.0, 0.5, -0.5])
ROUNDING_PRIOR = np.array([0.5, 0.4, 0.1])
"""How far above the middle between two shown values the shown charge changes [steps]: rounded, cut, rounded up."""

CHARGE_ACCEPTED = 0.97
"""Share of the energy into the battery that can be drawn again (common practice for lithium, no source)."""

GAUGE_NOISE_PERCENT = 0.04
"""What a fuel gauge strays by beyond its bow [%] (common practice, no source)."""

THIN_PERCENT = 0.9
"""Changes closer than this to the last one kept add nothing [%]."""

STUDENT = 5.0
"""Degrees of freedom of the Student-t error of a change."""

STEPS = 6
"""Gauss-Newton steps at most; the equations are nearly linear, so that three mostly suffice."""

FULL_SPREAD_PERCENT = 0.15
"""Standard deviation of the charge at a start that was reported as full [%]."""


@dataclass(frozen=True, slots=True)
class Row:
    """What was counted since the start of a discharge.

    plug_wh, hours, charging_wh : float — the pump's energy at the plug [Wh], time [h], energy into the pack [Wh]
    loads_wh : float | None — energy of the other loads [Wh]; None: not measured
    lump_wh : float — energy that one sample of the running pump stands for, where samples catch it by chance [Wh]; or 0
    unheard_wh : float — energy booked for the pump while it was not heard [Wh]
    grain_wh : float — the energy within which plug_wh is known at this moment, whatever it was off by before [Wh]
    walk_wh : float — variance that plug_wh gathers, over its energy, where runs are sampled and seen [Wh]
    """

    plug_wh: float
    loads_wh: float | None
    hours: float
    charging_wh: float
    lump_wh: float = 0.0
    unheard_wh: float = 0.0
    grain_wh: float = 0.0
    walk_wh: float = 0.0


@dataclass(slots=True)
class ChargeSteps:
    """Changes of the reported charge during one discharge.

    start_percent : float | None — reported at the start [%]; None: nothing reports it, taken for full
    start_spread : float | None — how far the start may be from a guess [%]; None: it was read
    rows : list of [plug, loads or nan, hours, charging, unheard] halfway between the samples around each change
    widths : list of the same, between those samples; of the plug's energy, with what it is known within
    edges, spreads : list of float — reported charge there [%], and its spread beyond the width [%]
    lump_wh : float — the plug energy counts lumps of this size, caught by chance [Wh]; 0: it is exact
    walk_wh : float — variance that the plug energy gathers, over itself, of sampled runs that were seen [Wh]
    healed : int — rows in which late readings filled in what had been booked unheard
    """

    start_percent: float | None = None
    start_spread: float | None = None
    rows: list[list[float]] = field(default_factory=list)
    widths: list[list[float]] = field(default_factory=list)
    edges: list[float] = field(default_factory=list)
    spreads: list[float] = field(default_factory=list)
    last: list[float] = field(default_factory=lambda: [0.0] * COLUMNS)
    lump_wh: float = 0.0
    walk_wh: float = 0.0
    healed: int = 0

    @classmethod
    def of(cls, saved: dict[str, Any]) -> ChargeSteps:
        """The evidence as `asdict` saved it: null stands for NaN; a row of an older release gets 0 as last value."""
        self = cls(**saved)
        self.rows, self.widths = [_nan(row) for row in self.rows], [_nan(row) for row in self.widths]
        self.last = _nan(self.last)
        return self.copy()

    @property
    def changes(self) -> int:
        """How many changes are kept."""
        return len(self.edges)

    def copy(self) -> ChargeSteps:
        """A copy of the evidence, to which more can be added without changing this one."""
        rows, widths, edges = list(self.rows), list(self.widths), list(self.edges)
        return replace(self, rows=rows, widths=widths, edges=edges, spreads=list(self.spreads), last=list(self.last))

    def start(self, percent: float, spread: float) -> None:
        """Set a start that was guessed rather than read: its charge [%], 0..100, and its standard deviation [%]."""
        self.start_percent, self.start_spread = percent, spread

    def heal(self, hours: Array, plug_wh: Array, unheard_wh: float, lump_wh: float) -> None:
        """Put what late readings tell of the pump's energy into rows from hours[0] on, in place of what was booked.

        hours, plug_wh : (n,) — times since the start [h] and energy at the plug by then [Wh], both rising
        unheard_wh, lump_wh : float — what stays booked as unheard in these rows, and the lumps they count [Wh]

        What is booked for the time after hours[-1] stays: more may be on its way.
        """
        self.lump_wh = max(self.lump_wh, lump_wh)
        booked = np.array([[0.0] * COLUMNS, *self.rows, self.last])
        told_wh = float(np.interp(hours[-1], booked[:, 2], booked[:, 4]))
        for index, (row, width) in enumerate(zip(self.rows, self.widths, strict=True)):
            if row[2] >= hours[0] and row[4] > unheard_wh:
                ends = np.interp([row[2] - width[2] / 2.0, row[2], row[2] + width[2] / 2.0], hours, plug_wh)
                still = row[2] > hours[-1]
                rest_wh = max(row[4] - told_wh, 0.0) if still else 0.0
                self.rows[index] = [float(ends[1]), *row[1:4], unheard_wh + rest_wh]
                self.widths[index] = [float(ends[2] - ends[0]), *width[1:4], width[4] if still else 0.0]
                self.healed += 1
        if self.last[2] >= hours[0] and self.last[4] > unheard_wh:
            rest_wh = max(self.last[4] - told_wh, 0.0) if self.last[2] > hours[-1] else 0.0
            plug = float(np.interp(self.last[2], hours, plug_wh))
            self.last = [plug, *self.last[1:4], unheard_wh + rest_wh]

    def keep_newest(self) -> None:
        """Forget all changes but the newest, and that what was counted by earlier ones was caught by chance."""
        self.lump_wh = self.walk_wh = 0.0
        for kept in (self.rows, self.widths, self.edges, self.spreads):
            del kept[:-1]

    def wait(self, row: Row) -> None:
        """Take in a sample that shows the same charge as the one before it."""
        self.last = _flat(row)

    def change(self, row: Row, before: float, after: float, step: float) -> None:
        """Take in a sample that shows another charge: before, after, and the step of the reported charge [%]."""
        here = _flat(row)
        width = [b - a for a, b in zip(self.last, here, strict=True)]
        if abs(after - before) <= 1.5 * step:
            edge, spread, halfway = (before + after) / 2.0, 0.0, [b - w / 2.0 for b, w in zip(here, width, strict=True)]
        else:
            edge, spread, halfway, width = after, step / 12.0**0.5, here, [0.0] * COLUMNS
        width[0] += row.grain_wh
        self.last = here
        if self.edges and abs(edge - self.edges[-1]) < max(THIN_PERCENT, 0.9 * step):
            return
        self.lump_wh = max(self.lump_wh, row.lump_wh) if row.unheard_wh > 0.0 else row.lump_wh
        self.walk_wh = row.walk_wh
        self.rows.append(halfway)
        self.widths.append(width)
        self.edges.append(edge)
        self.spreads.append(spread)


def _nan(row: list[float | None] | list[float]) -> list[float]:
    whole = [float("nan") if value is None else value for value in row]
    return whole + [0.0] * (COLUMNS - len(whole))


def _flat(row: Row) -> list[float]:
    loads_wh = float("nan") if row.loads_wh is None else row.loads_wh
    return [row.plug_wh, loads_wh, row.hours, row.charging_wh, row.unheard_wh]


@dataclass(frozen=True, slots=True)
class ChargeContext:
    """What the equations need beside the evidence.

    loads_w : float — mean power of the listed loads [W], used where their energy is not measured
    swing_wh : float — how far the listed loads' energy strays from its mean within their cycles [Wh]
    factor : float — capacity at the present temperature over that at 25 °C
    step : float — step of the reported charge [%]
    floor_percent : float — the reserve floor, at which the gauge's stray is asked for [%]
    """

    loads_w: float
    swing_wh: float
    factor: float
    step: float
    floor_percent: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Belief over the unknowns under H hypotheses, each a meaning of the evidence, a rounding and a scale of the stray
    of the gauge, scales fastest.

    mean, covariance, weight : (H, 8), (H, 8, 8), (H,)
    stray : (H, 2) — the gauge's stray at the newest change and at the floor, where the unknowns are at their mean [%]
    stray_slope : (H, 2, 8) — how much that stray falls for each unit by which an unknown rises [%]
    stray_root : (H, 2, 2) — Cholesky root of the covariance that the changes leave to the stray [%]
    evidence : float — natural logarithm of the evidence of all hypotheses together, up to a constant
    too_high_percent : (H,) — how much too high the gauge shows the charge now, because it set itself anew [%]
    """

    mean: Array
    covariance: Array
    weight: Array
    stray: Array
    stray_slope: Array
    stray_root: Array
    evidence: float
    too_high_percent: Array

    @property
    def rounding(self) -> Array:
        """Weights of the roundings (3,)."""
        return np.asarray(self.weight.reshape(-1, ROUNDINGS.size, SCALES.size).sum(axis=(0, 2)))

    @property
    def scale(self) -> Array:
        """Weights of the scales of the stray (3,)."""
        return np.asarray(self.weight.reshape(-1, ROUNDINGS.size, SCALES.size).sum(axis=(0, 1)))


HYPOTHESES = ROUNDINGS.size * SCALES.size
OF_ROUNDING = np.repeat(ROUNDINGS, SCALES.size)
"""Rounding of each hypothesis."""

_LEAST_STRAY = 1e-8
"""Added to the variances of the stray [%²], so that its covariance is not singular where two charges are the same."""

OF_SCALE = np.tile(SCALES, ROUNDINGS.size)
"""Scale of the gauge's stray of each hypothesis."""


def posterior(mean: Array, covariance: Array, weight: Array, evidence: ChargeSteps, scene: ChargeContext) -> Posterior:
    """Belief over all unknowns, from the pack's prior and one discharge's evidence.

    mean (SHARED,), covariance (SHARED, SHARED) : the pack's prior; weight (H,) : of the hypotheses
    """
    start = 100.0 if evidence.start_percent is None else evidence.start_percent
    prior_mean = np.concatenate([mean, [float(charge_at(start, mean[BOW], mean[SKEW])), 0.0]])
    precision = np.zeros((UNKNOWNS, UNKNOWNS))
    precision[:SHARED, :SHARED] = np.linalg.inv(covariance)
    precision[START, START] = 1.0 / 0.2**2
    precision[UNHEARD, UNHEARD] = 1.0 / UNHEARD_SPREAD**2
    precision = np.repeat(precision[None], HYPOTHESES, axis=0)
    precision[:, [BOW, SKEW], [BOW, SKEW]] += np.tile(LEAN_PRECISION, ROUNDINGS.size)[:, None]
    table, unknown = with_loads(np.array([[0.0] * COLUMNS, *evidence.rows]), scene.loads_w)
    width, _ = with_loads(np.array([[0.0] * COLUMNS, *evidence.widths]), scene.loads_w)
    edge, own = _edges(evidence, start, scene.step)
    shown = np.array([start, *evidence.edges])
    strays = OF_SCALE[:, None, None] ** 2 * stray_covariance(shown, shown)
    by_chance = evidence.lump_wh > 0.0
    smooth = smoothed(table, evidence.lump_wh) if by_chance else table
    walk_wh = evidence.lump_wh if by_chance else evidence.walk_wh
    earlier = np.minimum.outer(smooth[:, 0], smooth[:, 0])
    theta = np.repeat(prior_mean[None, :], HYPOTHESES, axis=0)
    for _ in range(STEPS):
        error, slope, variance = _linearise(theta, table, width, unknown, edge, own, scene)
        shared = strays
        if by_chance:
            _, slope, variance = _linearise(theta, smooth, width, unknown, edge, own, scene)
        if walk_wh > 0.0:
            pull = slope[..., START] * np.exp(theta[:, COST] - theta[:, CAPACITY])[:, None] / scene.factor
            shared = strays + walk_wh * pull[:, :, None] * earlier * pull[:, None, :]
        fit = _together(error, slope, variance, shared)
        information = precision + fit.weighted @ slope
        away = theta - prior_mean
        pulled = np.einsum("hij,hj->hi", precision, away)
        gradient = (fit.weighted @ error[:, :, None])[:, :, 0] - pulled
        move = np.linalg.solve(information, gradient[..., None])[..., 0]
        theta = theta + np.clip(move, -0.5, 0.5)
        if np.max(np.abs(move)) < 1e-3:
            break
    volume = np.linalg.slogdet(precision)[1] - np.linalg.slogdet(information)[1]
    told = 0.5 * (volume - np.sum(away * pulled, axis=1)) - fit.misfit
    targets = np.array([shown[-1], scene.floor_percent])
    return Posterior(
        theta,
        np.asarray(np.linalg.inv(information)),
        hedged(weight, told),
        *_strays_at(targets, shown, fit, error, slope),
        evidence=float(np.logaddexp.reduce(told + np.log(np.maximum(weight, 1e-300)))),
        too_high_percent=np.zeros(HYPOTHESES),
    )


def _edges(evidence: ChargeSteps, start: float, step: float) -> tuple[Array, Array]:
    """Where the unrounded charge stood at the start and at each change (H, n) [%], and each one's own spread (n,)."""
    edge = np.array([start, *evidence.edges]) + step * OF_ROUNDING[:, None]
    own = np.array([step / 12.0**0.5, *(np.hypot(s, GAUGE_NOISE_PERCENT) for s in evidence.spreads)])
    if evidence.start_spread is not None:
        edge[:, 0], own[0] = start, evidence.start_spread
    elif start >= 100.0 - step / 2.0:
        edge[:, 0] = 100.0
        own[0] = FULL_SPREAD_PERCENT if evidence.start_percent is not None else 3.0
    return edge, own


def _strays_at(targets: Array, shown: Array, fit: _Fit, error: Array, slope: Array) -> tuple[Array, Array, Array]:
    """The stray at reported charges (m,) [%] given the changes: (H, m), its slopes (H, m, 8), its roots (H, m, m)."""
    scale = OF_SCALE[:, None, None] ** 2
    across = scale * stray_covariance(targets, shown)
    solved = np.linalg.solve(fit.joint, np.concatenate([error[:, :, None], slope, across.transpose(0, 2, 1)], axis=2))
    told = across @ solved
    left = scale * stray_covariance(targets, targets) - told[:, :, 1 + UNKNOWNS :]
    root = np.linalg.cholesky(left + _LEAST_STRAY * np.eye(targets.size))
    return told[:, :, 0], told[:, :, 1 : 1 + UNKNOWNS], np.asarray(root)


@dataclass(frozen=True, slots=True)
class _Fit:
    """One linear step: slopes (H, 8, n) and squared errors (H,) over the joint covariance (H, n, n); trusts (H, n)."""

    weighted: Array
    square: Array
    trust: Array
    joint: Array

    @property
    def misfit(self) -> Array:
        """Minus the log likelihood of the errors, up to a constant (H,)."""
        root = np.diagonal(np.linalg.cholesky(self.joint), axis1=1, axis2=2)
        return np.asarray(0.5 * self.square + np.log(root).sum(axis=1) + 0.5 * np.log(self.trust).sum(axis=1))


def _together(error: Array, slope: Array, variance: Array, shared: Array) -> _Fit:
    """Changes with errors of their own and errors that they share (generalised least squares).

    shared : (H, n, n) — covariances [%²]: of the gauge's stray; and where the pump's runs are caught by chance of the
        count, which strays like a random walk, so that two changes share the variance of the earlier one
    """
    trust = _trust(error**2 / (variance + np.diagonal(shared, axis1=1, axis2=2)))
    spots = np.arange(error.shape[1])
    joint = shared.copy()
    joint[:, spots, spots] += variance / trust
    solved = np.linalg.solve(joint, np.concatenate([slope, error[:, :, None]], axis=2))
    return _Fit(solved[:, :, :-1].transpose(0, 2, 1), np.sum(error * solved[:, :, -1], axis=1), trust, joint)


def _trust(square: Array) -> Array:
    """Weights of errors by their squares over the variance, as under a Student-t error; the start is always trusted."""
    trust = np.minimum((STUDENT + 1.0) / (STUDENT + square), 1.0)
    trust[:, 0] = 1.0
    return trust


def _linearise(
    theta: Array, table: Array, width: Array, unknown: Array, edge: Array, own: Array, scene: ChargeContext
) -> tuple[Array, Array, Array]:
    """Errors (H, n) [%], slopes of the reported charge (H, n, 8) and variances (H, n) [%²]."""
    part = np.exp(theta[:, :BOW])[:, :, None]
    capacity, cost, idle, scale = part[:, CAPACITY] * scene.factor, part[:, COST], part[:, IDLE], part[:, LOADS]
    share, unheard = np.where(unknown > 0.0, scale, 1.0), np.exp(theta[:, UNHEARD])[:, None]
    loads, booked = table[:, 1] * share, table[:, 4] * unheard
    outlet = cost * (table[:, 0] + booked + loads)
    drain = outlet + idle * table[:, 2] - CHARGE_ACCEPTED * table[:, 3]
    charge = theta[:, START, None] - drain / capacity
    bow, skew = theta[:, BOW, None], theta[:, SKEW, None]
    rate = 100.0 * reported_slope(charge, bow, skew)
    bent = within_bend(charge)
    room = 100.0 * bent * (1.0 - bent)
    slope = np.empty((*charge.shape, UNKNOWNS))
    slope[..., CAPACITY] = rate * drain / capacity
    slope[..., COST] = -rate * outlet / capacity
    slope[..., IDLE] = -rate * idle * table[:, 2] / capacity
    slope[..., LOADS] = -rate * cost * loads * unknown / capacity
    slope[..., BOW] = room
    slope[..., SKEW] = room * (1.0 - 2.0 * bent)
    slope[..., START] = rate
    slope[..., UNHEARD] = -rate * cost * booked / capacity
    error = edge - reported_percent(charge, bow, skew)
    went = np.abs(cost * (width[:, 0] + width[:, 4] * unheard + width[:, 1] * share) + idle * width[:, 2])
    strayed = np.hypot(went / 12.0**0.5, cost * scene.swing_wh * unknown) * rate / capacity
    strayed[:, 0] = 0.0
    return error, slope, own**2 + strayed**2
