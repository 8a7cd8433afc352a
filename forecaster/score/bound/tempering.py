"""Draws from a posterior over a few unknowns by tempering: from the prior to the posterior in steps of the likelihood.

Each step raises the likelihood's power as far as the effective sample size allows, draws the particles anew by their
weights, and moves them by Metropolis steps with their own covariance (Del Moral, Doucet and Jasra 2006, Sequential
Monte Carlo samplers, J. R. Stat. Soc. B 68; from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.score.bound.filter import picked

PARTICLES = 1500
MOVES = 10
"""Metropolis steps at each power."""

LEAST_ESS = 0.5
"""Effective share of the particles that a step of the power leaves, 0..1."""

LEAST_STEP = 0.005
"""Least step of the power, whatever it leaves, so that an end is reached."""


@dataclass(frozen=True, slots=True)
class Tempered:
    """Draws, (d, N), all of one weight; powers : int — steps it took; accepted : float — share of the last moves."""

    draws: Array
    powers: int
    accepted: float


def tempered(
    log_likelihood: Callable[[Array], Array], dimensions: int, rng: np.random.Generator, count: int = PARTICLES
) -> Tempered:
    """Draws from the posterior of unknowns that are standard normal beforehand.

    log_likelihood : of (d, N) unknowns, (N,)
    """
    draws = rng.normal(size=(dimensions, count))
    found = log_likelihood(draws)
    power, powers, accepted = 0.0, 0, 1.0
    while power < 1.0:
        step = _next_power(found, 1.0 - power)
        power, powers = min(power + step, 1.0), powers + 1
        index = picked(_weights(step * found), count, rng)
        draws, found = draws[:, index], found[index]
        root = np.linalg.cholesky(np.cov(draws) + 1e-10 * np.eye(dimensions)) * (2.38 / dimensions**0.5)
        for turn in range(MOVES if power < 1.0 else 3 * MOVES):
            size = (1.0, 0.5, 0.25)[turn % 3]
            draws, found, accepted = _moved(log_likelihood, draws, found, power, size * root, rng)
    return Tempered(draws, powers, accepted)


def _weights(log_weight: Array) -> Array:
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _next_power(found: Array, most: float) -> float:
    """The greatest rise of the power that leaves LEAST_ESS of the particles effective, LEAST_STEP at least."""

    def effective(step: float) -> float:
        weight = _weights(step * found)
        return 1.0 / float(weight @ weight) / weight.size

    if effective(most) >= LEAST_ESS:
        return most
    low, high = 0.0, most
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if effective(middle) >= LEAST_ESS else (low, middle)
    return max(low, LEAST_STEP)


def _moved(
    log_likelihood: Callable[[Array], Array],
    draws: Array,
    found: Array,
    power: float,
    root: Array,
    rng: np.random.Generator,
) -> tuple[Array, Array, float]:
    """The particles after a Metropolis step with normal proposals, their likelihoods, and the share that moved."""
    proposed = draws + root @ rng.normal(size=draws.shape)
    there = log_likelihood(proposed)
    gain = power * (there - found) + 0.5 * ((draws**2).sum(axis=0) - (proposed**2).sum(axis=0))
    takes = np.log(rng.random(found.size)) < gain
    return np.where(takes, proposed, draws), np.where(takes, there, found), float(takes.mean())
