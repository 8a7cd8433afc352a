"""Capacities by several tests, where each unknown stands alone: precisions and their weighed means add up; by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecaster.domain.discharge import DischargeResult, DischargeTest
from forecaster.domain.times import DAY_MS
from forecaster.pack import tested as by_tests
from forecaster.pack.chargeline import CAPACITY, SHARED
from forecaster.pack.tested import ALIKE, SCATTER, _not_negative
from tests.forecaster.evidence import LARKSPUR
from tests.forecaster.pack.test_belief import TESTED

PLATE = np.log(940.0)
PLATE_SPREAD, TEST_SPREAD = 0.07, 0.02


def left(capacity_wh: float) -> DischargeResult:
    """A test that told the capacity within 2 %, and nothing else."""
    mean, variance = np.zeros(SHARED), np.full(SHARED, 0.1**2)
    plate, plate_variance = mean.copy(), variance.copy()
    mean[CAPACITY], plate[CAPACITY] = np.log(capacity_wh), PLATE
    variance[CAPACITY], plate_variance[CAPACITY] = TEST_SPREAD**2, PLATE_SPREAD**2
    return replace(
        TESTED,
        capacity_wh=(capacity_wh - 20.0, capacity_wh, capacity_wh + 20.0),
        belief_mean=tuple(mean),
        belief_covariance=tuple(np.diag(variance).ravel()),
        plate_mean=tuple(plate),
        plate_covariance=tuple(np.diag(plate_variance).ravel()),
    )


def found(*capacities_wh: float) -> by_tests.Tested:
    tests = [
        DischargeTest(f"t{place}", LARKSPUR.id, 0, "", finished_ms=(place + 1) * DAY_MS, result=left(capacity_wh))
        for place, capacity_wh in enumerate(capacities_wh)
    ]
    return by_tests.tested(tests, LARKSPUR)


def test_one_test_alone_stands_by_what_it_left() -> None:
    """The plate, and what the test added to it."""
    one = found(800.0)
    assert one.day.tolist() == [1.0]
    assert one.capacity_wh.tolist() == pytest.approx([800.0], rel=1e-4)
    assert one.covariance[0, 0] == pytest.approx(800.0**2 * (TEST_SPREAD**2 + SCATTER**2), rel=1e-3)


def test_of_a_second_test_counts_what_it_added_to_its_plate() -> None:
    """Once the plate has been counted with the first one. 1/0.02^2 - 1/0.07^2 is left, and of what the errors say of a
    difference a half, in each direction."""
    two = found(800.0, 700.0)
    added = 1.0 / TEST_SPREAD**2 - 1.0 / PLATE_SPREAD**2
    second = (np.log(700.0) / TEST_SPREAD**2 - PLATE / PLATE_SPREAD**2) / added
    assert two.capacity_wh.tolist() == pytest.approx([800.0, np.exp(second)], rel=1e-4)
    own = np.diag([TEST_SPREAD**2, 1.0 / added])
    common = np.full((2, 2), 0.5)
    alike = common + ALIKE * (np.eye(2) - common)
    wanted = alike @ own @ alike * np.outer(two.capacity_wh, two.capacity_wh)
    assert two.covariance == pytest.approx(wanted + np.diag((SCATTER * two.capacity_wh) ** 2), rel=1e-3)


def test_information_below_nothing_is_cut_off() -> None:
    """Of 3 along (1, 1) and -1 across it the first is left; what is not symmetric by rounding is made so."""
    assert _not_negative(np.array([[1.0, 2.0], [2.0, 1.0]])) == pytest.approx(np.full((2, 2), 1.5))
    assert _not_negative(np.array([[2.0, 1.2], [0.8, 2.0]])) == pytest.approx(np.array([[2.0, 1.0], [1.0, 2.0]]))
