"""The capacity at each of several discharge tests, by all of them together.

One test can hardly tell a great capacity from great losses, so what it says of the capacity alone stays near the
nameplate. Losses hardly change from year to year, though: taken together, what each test added to its nameplate tells
the capacities apart, while the losses are one unknown for all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecaster.domain.discharge import DischargeResult, DischargeTest
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS
from forecaster.maths.arrays import Array
from forecaster.pack.belief import PackBelief
from forecaster.pack.chargeline import SHARED
from forecaster.pack.nameplate import running_w

SCATTER = 0.02
"""How much the capacity differs between tests by the temperature and the meter, as a share. Common practice, no
source: a cellar that is 5 °C warmer or colder gives or takes about so much."""

ALIKE = 0.5
"""How much of what the tests' own errors say of a difference between them is left, since a gauge strays alike each
time. Tuned on simulated rehearsals, seeds 0 to 79."""

LOOSE = 1e-6
"""Precision of an unknown that nothing tells."""


@dataclass(frozen=True, slots=True)
class Tested:
    """Capacities by tests, oldest first.

    day : (N,) — days since 1970; capacity_wh : (N,) [Wh]; covariance : (N, N) [Wh²], shared errors in it
    """

    day: Array
    capacity_wh: Array
    covariance: Array


def measured_capacity(tests: Sequence[DischargeTest], since_ms: int = 0) -> list[DischargeTest]:
    """The finished tests since a time [UTC ms] that measured the capacity, oldest first."""
    found = [
        test
        for test in tests
        if test.finished_ms is not None
        and test.finished_ms >= since_ms
        and test.result is not None
        and test.result.capacity_wh is not None
    ]
    return sorted(found, key=lambda test: test.finished_ms or 0)


def tested(tests: Sequence[DischargeTest], site: Site) -> Tested:
    """Capacities by tests of one pack, as `measured_capacity` gives them.

    A test of an older release, which kept no belief, stands by its own range.
    """
    day = np.array([(test.finished_ms or 0) / DAY_MS for test in tests], dtype=np.float64)
    results = [test.result for test in tests if test.result is not None]
    told = np.array([result.capacity_wh or (0.0, 0.0, 0.0) for result in results], dtype=np.float64).reshape(-1, 3)
    value = told[:, 1].copy()
    covariance = np.diag(((told[:, 2] - told[:, 0]) / 2.563) ** 2)
    joined = np.flatnonzero([result.belief_mean is not None for result in results])
    if joined.size:
        logs, spread = _together([results[at] for at in joined], site)
        value[joined] = np.exp(logs)
        covariance[np.ix_(joined, joined)] = spread * np.outer(value[joined], value[joined])
    return Tested(day, value, covariance + np.diag((SCATTER * value) ** 2))


def _together(results: Sequence[DischargeResult], site: Site) -> tuple[Array, Array]:
    """Logarithms of the capacities, (N,), and their covariance: each test's own, all else one for all of them.

    In information form: what a test added is its posterior less its plate; Gaussian throughout.
    """
    count = len(results)
    precision = LOOSE * np.eye(count + SHARED - 1)
    weighed = np.zeros(count + SHARED - 1)
    shared = list(range(count, count + SHARED - 1))
    for place, result in enumerate(results):
        plate_mean, plate = _plate(result, site)
        mean, covariance = np.array(result.belief_mean), np.array(result.belief_covariance).reshape(SHARED, SHARED)
        added = _not_negative(np.linalg.inv(covariance) - np.linalg.inv(plate))
        at = [place, *shared]
        precision[np.ix_(at, at)] += added
        weighed[at] += np.linalg.solve(covariance, mean - plate_mean) + added @ plate_mean
        if place == 0:
            prior = np.linalg.inv(plate)
            precision[np.ix_(at, at)] += prior
            weighed[at] += prior @ plate_mean
    whole = np.linalg.inv(precision)
    common = np.full((count, count), 1.0 / count)
    alike = common + ALIKE * (np.eye(count) - common)
    return (whole @ weighed)[:count], alike @ whole[:count, :count] @ alike


def _plate(result: DischargeResult, site: Site) -> tuple[Array, Array]:
    """What a test began with: mean and covariance by the plate; of an older release, by the present site file."""
    if result.plate_mean is not None and result.plate_covariance is not None:
        return np.array(result.plate_mean), np.array(result.plate_covariance).reshape(SHARED, SHARED)
    belief = PackBelief(site.pack, site.loads, running_w=running_w(site.pump))
    return belief.mean, belief.covariance


def _not_negative(information: Array) -> Array:
    """Information with what falls below nothing cut off: a mixture of roundings may be wider than what went in."""
    values, vectors = np.linalg.eigh((information + information.T) / 2.0)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)
