"""Random numbers for draws: stratified, seeded, shared by every forecast of a site.

Each column is a Latin hypercube sample (McKay, Beckman, Conover 1979, Technometrics 21(2)): one point in each of
`draws` equally likely strata, shuffled independently of the other columns. The same seed gives the same numbers, so
two forecasts that differ in one belief differ through that belief alone.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.special import ndtri

from forecaster.maths.arrays import Array


@lru_cache(maxsize=64)
def _uniforms(seed: int, draws: int, columns: int) -> Array:
    rng = np.random.default_rng(seed)
    strata = rng.permuted(np.tile(np.arange(draws), (columns, 1)), axis=1)
    values: Array = ((strata + 0.5) / draws).T
    values.setflags(write=False)
    return values


@lru_cache(maxsize=64)
def _normals(seed: int, draws: int, columns: int) -> Array:
    values: Array = np.asarray(ndtri(_uniforms(seed, draws, columns)), dtype=np.float64)
    values.setflags(write=False)
    return values


def seed_from(rng: np.random.Generator) -> int:
    """A seed for `uniforms` and `normals`, 0..2^32 - 1, drawn from the generator."""
    return int(rng.integers(2**32))


@lru_cache(maxsize=64)
def seeds_of(seed: int, count: int) -> tuple[int, ...]:
    """The first `count` seeds that a generator of a seed gives, without making one each time."""
    rng = np.random.default_rng(seed)
    return tuple(seed_from(rng) for _ in range(count))


def uniforms(seed: int, draws: int, columns: int) -> Array:
    """Stratified uniform numbers in (0, 1), shape (draws, columns), read-only."""
    return _uniforms(seed, draws, columns)


def normals(seed: int, draws: int, columns: int) -> Array:
    """Stratified standard normal numbers, shape (draws, columns), read-only."""
    return _normals(seed, draws, columns)


@lru_cache(maxsize=64)
def wobble_modes(times_h: tuple[float, ...], tau_h: float, modes: int) -> Array:
    """Leading modes of a stationary Ornstein-Uhlenbeck process started at zero, shape (modes, T).

    times_h : tuple of float, length T — rising, from the present [h]
    tau_h : float — correlation time [h]

    `normals(seed, draws, modes) @ wobble_modes(...)` has the process's covariance exp(-|t-u|/tau) - exp(-(t+u)/tau)
    (unit stationary variance) as nearly as `modes` components can, and its variance exactly.
    Source: Karhunen-Loeve expansion, eigenvectors of the covariance on the grid.
    """
    t = np.asarray(times_h, dtype=np.float64)
    cov = np.exp(-np.abs(t[:, None] - t[None, :]) / tau_h) - np.exp(-(t[:, None] + t[None, :]) / tau_h)
    width = np.gradient(t)
    root = np.sqrt(width)
    values, vectors = np.linalg.eigh(cov * root[:, None] * root[None, :])
    lead = np.clip(values[-modes:], 0.0, None)
    shape = (vectors[:, -modes:] / root[:, None]) * np.sqrt(lead)
    kept = np.sum(shape**2, axis=1)
    scale = np.sqrt(np.divide(np.diag(cov), kept, out=np.ones_like(kept), where=kept > 1e-12))
    result: Array = np.zeros((modes, t.size))  # a grid shorter than `modes` needs no more of them
    result[: lead.size] = (shape * scale[:, None]).T
    result.setflags(write=False)
    return result
