"""The equations that changes of a gauge give, against differences and lines of arithmetic that stand beside them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from forecaster.maths.arrays import Array
from forecaster.pack.battery import reported_percent
from forecaster.pack.chargeline import (
    BOW,
    CAPACITY,
    CHARGE_ACCEPTED,
    COST,
    HYPOTHESES,
    IDLE,
    LOADS,
    OF_ROUNDING,
    SKEW,
    START,
    UNHEARD,
    ChargeContext,
    ChargeSteps,
    Row,
    _edges,
    _linearise,
    _together,
    _trust,
)
from forecaster.pack.course import smoothed, with_loads

SCENE = ChargeContext(loads_w=20.0, swing_wh=4.0, factor=0.9, step=1.0, floor_percent=10.0)
THETA = np.array([math.log(1000.0), math.log(1.15), math.log(9.0), 0.2, 0.1, 0.05, 0.99, 0.3])


def reading(hours: float, plug_wh: float, loads_wh: float | None = None, unheard_wh: float = 0.0) -> Row:
    return Row(plug_wh, loads_wh, hours, 0.0, 0.0, unheard_wh)


def test_a_change_of_one_step_lies_halfway_between_its_samples() -> None:
    steps = ChargeSteps(100.0)
    steps.wait(reading(1.0, 40.0))
    steps.change(reading(1.5, 50.0), 100.0, 99.0, 1.0)
    assert (steps.edges, steps.spreads, steps.changes) == ([99.5], [0.0], 1)
    assert [steps.rows[0][of] for of in (0, 2, 3, 4)] == [45.0, 1.25, 0.0, 0.0]
    assert [steps.widths[0][of] for of in (0, 2)] == [10.0, 0.5]
    assert math.isnan(steps.rows[0][1])


def test_a_change_of_several_steps_is_told_by_the_value_it_comes_to() -> None:
    """Beyond one and a half steps: then its edge is anywhere within a step, and nothing is between."""
    steps = ChargeSteps(100.0)
    steps.change(reading(1.0, 40.0, 5.0), 100.0, 98.4, 1.0)
    assert steps.edges == [98.4]
    assert steps.spreads == [pytest.approx(1 / math.sqrt(12))]
    assert steps.rows == [[40.0, 5.0, 1.0, 0.0, 0.0]]
    assert steps.widths == [[0.0] * 5]
    near = ChargeSteps(100.0)
    near.change(reading(1.0, 40.0), 100.0, 98.5, 1.0)
    assert near.edges == [99.25]


@pytest.mark.parametrize(("step", "after", "kept"), [(0.2, 99.0, 2), (0.2, 99.1, 1), (4.0, 94.3, 2), (4.0, 94.5, 1)])
def test_changes_close_together_add_nothing(step: float, after: float, kept: int) -> None:
    """Nine tenths of a per cent, or of a step, from the one before: from 99.9, and from 98 % of steps of 4 %."""
    steps = ChargeSteps(100.0)
    steps.change(reading(1.0, 10.0), 100.0, 100.0 - step, step)
    steps.change(reading(2.0, 20.0), after, after, step)
    assert steps.changes == kept


def test_late_readings_take_the_place_of_what_was_booked() -> None:
    """From hour 1 on the plug gave 60 Wh an hour; 5 Wh stay booked for the time before."""
    steps = ChargeSteps(100.0)
    steps.change(reading(0.5, 10.0, 0.0, 5.0), 100.0, 98.0, 1.0)
    steps.wait(reading(1.9, 10.0, 0.0, 40.0))
    steps.change(reading(2.1, 10.0, 0.0, 44.0), 97.0, 96.0, 1.0)
    steps.heal(np.array([1.0, 3.0]), np.array([30.0, 150.0]), 5.0, 0.0)
    assert steps.healed == 1
    assert steps.rows[0][0] == 10.0
    assert steps.rows[1] == pytest.approx([90.0, 0.0, 2.0, 0.0, 5.0])
    assert steps.widths[1] == pytest.approx([12.0, 0.0, 0.2, 0.0, 0.0])
    assert steps.last == pytest.approx([96.0, 0.0, 2.1, 0.0, 5.0])


def test_where_the_unrounded_charge_stood() -> None:
    """Rounded, cut or rounded up: at a step's edge, half a step above or below; noise of 0.04 %."""
    steps = ChargeSteps(80.0, edges=[70.0], spreads=[0.3])
    edge, own = _edges(steps, 80.0, 2.0)
    assert edge.shape == (HYPOTHESES, 2)
    assert edge[:, 1].tolist() == (70.0 + 2.0 * OF_ROUNDING).tolist()
    assert own.tolist() == pytest.approx([2.0 / math.sqrt(12), math.hypot(0.3, 0.04)])
    full_edge, full = _edges(ChargeSteps(99.0), 99.0, 2.0)
    assert full_edge[:, 0].tolist() == [100.0] * HYPOTHESES
    assert full[0] == 0.15
    assert _edges(ChargeSteps(98.9), 98.9, 2.0)[1][0] == pytest.approx(2.0 / math.sqrt(12))
    assert _edges(ChargeSteps(None), 100.0, 2.0)[1][0] == 3.0, "nobody reports it"
    guessed_edge, guessed = _edges(ChargeSteps(100.0, start_spread=4.0), 100.0, 2.0)
    assert guessed_edge[:, 0].tolist() == [100.0] * HYPOTHESES
    assert guessed[0] == 4.0


def test_loads_that_are_not_measured_are_those_listed() -> None:
    table, unknown = with_loads(np.array([[1.0, math.nan, 2.0], [1.0, 7.0, 2.0]]), 20.0)
    assert table[:, 1].tolist() == [40.0, 7.0]
    assert unknown.tolist() == [1.0, 0.0]


TABLE, UNKNOWN = with_loads(
    np.array([[0.0] * 5, [100.0, math.nan, 2.0, 30.0, 15.0], [250.0, 35.0, 5.0, 40.0, 15.0]]), SCENE.loads_w
)
WIDTH = np.array([[0.0] * 5, [6.0, 2.0, 0.1, 0.0, 0.0], [8.0, 3.0, 0.2, 0.0, 4.0]])


def reported(theta: Array) -> Array:
    """What the gauge shows, from the unknowns as they are described; by this project's own formula of its bend."""
    capacity, cost, idle = np.exp(theta[[CAPACITY, COST, IDLE]])
    loads = TABLE[:, 1] * np.where(UNKNOWN > 0, math.exp(theta[LOADS]), 1.0)
    outlet = TABLE[:, 0] + TABLE[:, 4] * math.exp(theta[UNHEARD]) + loads
    drain = cost * outlet + idle * TABLE[:, 2] - CHARGE_ACCEPTED * TABLE[:, 3]
    charge = theta[START] - drain / (0.9 * capacity)
    return np.asarray(reported_percent(charge, theta[BOW], theta[SKEW]), dtype=np.float64)


def test_slopes_are_those_of_differences() -> None:
    """Central differences in each of the eight unknowns."""
    edge = np.zeros((1, 3))
    error, slope, _ = _linearise(THETA[None], TABLE, WIDTH, UNKNOWN, edge, np.zeros(3), SCENE)
    assert error[0].tolist() == pytest.approx((-reported(THETA)).tolist())
    for unknown in range(8):
        near = np.zeros(8)
        near[unknown] = 1e-6
        by_difference = (reported(THETA + near) - reported(THETA - near)) / 2e-6
        assert slope[0, :, unknown].tolist() == pytest.approx(by_difference.tolist(), rel=1e-5, abs=1e-4)


def test_a_change_strays_by_what_was_drawn_between_its_samples() -> None:
    """Anywhere between them, so its width over sqrt(12); where loads are only listed, their swing as well."""
    own = np.array([0.1, 0.2, 0.3])
    _, slope, variance = _linearise(THETA[None], TABLE, WIDTH, UNKNOWN, np.zeros((1, 3)), own, SCENE)
    cost, idle = 1.15, 9.0
    listed = cost * (6.0 + 2.0 * math.exp(0.2)) + idle * 0.1
    metered = cost * (8.0 + 3.0 + 4.0 * math.exp(0.3)) + idle * 0.2
    went = np.array([listed, metered])
    swing = np.array([cost * 4.0, 0.0])
    strayed = np.hypot(went / math.sqrt(12.0), swing) * slope[0, 1:, START] / 900.0
    assert variance[0].tolist() == pytest.approx([0.01, *(own[1:] ** 2 + strayed**2)])


def test_an_error_far_out_is_believed_less() -> None:
    """A Student-t with five degrees of freedom: (5 + 1) / (5 + z^2), at most 1; the start is always believed."""
    trust = _trust(np.array([[49.0, 0.5, 1.0, 7.0]]))
    assert trust.tolist() == [pytest.approx([1.0, 1.0, 1.0, 0.5])]


def test_errors_that_changes_share_are_weighed_together() -> None:
    """Generalised least squares: the misfit is minus the log density of a normal of that covariance, but for 2 pi."""
    error = np.array([[0.3, -0.4]])
    slope = np.arange(16.0).reshape(1, 2, 8)
    variance = np.array([[0.5, 0.7]])
    shared = np.array([[[0.2, 0.1], [0.1, 0.3]]])
    joint = shared[0] + np.diag(variance[0])
    fit = _together(error, slope, variance, shared)
    assert np.allclose(fit.joint[0], joint)
    assert np.allclose(fit.weighted[0], slope[0].T @ np.linalg.inv(joint))
    wanted = 0.5 * error[0] @ np.linalg.inv(joint) @ error[0] + 0.5 * math.log(np.linalg.det(joint))
    assert float(fit.misfit[0]) == pytest.approx(wanted)


def test_energy_that_is_caught_by_chance_is_taken_as_even() -> None:
    """Straight to one lump beyond the last of few rows; from twelve rows on a parabola that never falls."""
    few = np.zeros((3, 5))
    few[:, 0], few[:, 2] = [0.0, 10.0, 40.0], [0.0, 1.0, 2.0]
    assert smoothed(few, 8.0)[:, 0].tolist() == pytest.approx([0.0, 24.0, 48.0])
    many = np.zeros((12, 5))
    many[:, 2] = np.arange(12.0)
    many[:, 0] = 3.0 * many[:, 2] + 0.5 * many[:, 2] ** 2
    assert smoothed(many, 8.0)[:, 0].tolist() == pytest.approx(many[:, 0].tolist())
    eleven = smoothed(many[:11], 8.0)[:, 0]
    assert eleven.tolist() == pytest.approx(((80.0 + 8.0) * np.arange(11.0) / 10.0).tolist())
