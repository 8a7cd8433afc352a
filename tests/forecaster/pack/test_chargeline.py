"""The belief that changes of the charge leave, where it can be worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from forecaster.maths.arrays import Array
from forecaster.pack.chargeline import (
    BOW,
    HYPOTHESES,
    ROUNDINGS,
    SHARED,
    SKEW,
    START,
    UNHEARD,
    UNHEARD_SPREAD,
    ChargeContext,
    ChargeSteps,
    Posterior,
    Row,
    posterior,
)

MEAN = np.array([np.log(1000.0), np.log(1.15), np.log(9.0), 0.0, 0.0, 0.0])
SPREAD = np.array([0.1, 0.05, 0.3, 0.2, 0.05, 0.05])
SCENE = ChargeContext(loads_w=0.0, swing_wh=0.0, factor=1.0, step=1.0, floor_percent=10.0)


def believed(percent: float, spread_percent: float) -> Posterior:
    """Nothing but a start at a charge that was guessed."""
    evidence = ChargeSteps()
    evidence.start(percent, spread_percent)
    weight: Array = np.full(HYPOTHESES, 1.0 / HYPOTHESES)
    return posterior(MEAN, np.diag(SPREAD**2), weight, evidence, SCENE)


def test_without_a_change_the_pack_is_believed_as_before() -> None:
    """Where the gauge may stray far, bow and skew have 0.03 of their own beside the plate's: precisions add up."""
    found = believed(100.0, 5.0)
    assert found.mean[:, :SHARED] == pytest.approx(np.tile(MEAN, (HYPOTHESES, 1)), abs=1e-6)
    assert found.mean[:, START] == pytest.approx(np.ones(HYPOTHESES), abs=1e-6)
    spread = np.sqrt(np.diagonal(found.covariance, axis1=1, axis2=2))
    assert spread[:, :4] == pytest.approx(np.tile(SPREAD[:4], (HYPOTHESES, 1)), rel=0.01)
    assert spread[:, UNHEARD] == pytest.approx(np.full(HYPOTHESES, UNHEARD_SPREAD))
    room = np.tile([np.inf, 0.03, 0.03], ROUNDINGS.size)[:, None]
    assert spread[:, [BOW, SKEW]] == pytest.approx(1.0 / np.sqrt(1.0 / SPREAD[[BOW, SKEW]] ** 2 + room**-2), rel=0.01)
    assert found.weight.sum() == pytest.approx(1.0)


@pytest.mark.parametrize("spread_percent", [5.0, 20.0, 60.0])
def test_a_guessed_start_is_weighed_with_what_a_start_can_be(spread_percent: float) -> None:
    """Precisions of a guess and of a prior of 20 % add up (two normal errors of one quantity); at full the gauge does
    not stray, but its slope is known only to bow and skew.
    """
    found = believed(100.0, spread_percent)
    known = 1.0 / np.sqrt(1.0 / 0.2**2 + 1.0 / (spread_percent / 100.0) ** 2)
    assert np.sqrt(found.covariance[:, START, START]) == pytest.approx(np.full(HYPOTHESES, known), rel=0.01)


@pytest.mark.parametrize("start_percent", [100.0, 1.0])
@pytest.mark.parametrize("counted_wh", [1_500.0, 117_000.0])
def test_a_count_of_many_packs_leaves_a_belief(counted_wh: float, start_percent: float) -> None:
    """A meter that is wrong by thousands is an outlier: what the pack is believed to be hardly moves."""
    rows = [[0.0, 1.0, 0.25, 0.0, 0.0], [counted_wh, 21.0, 51.0, 30.0, 0.0]]
    evidence = ChargeSteps(start_percent, 0.05, rows, [[0.0] * 5] * 2, [1.0, 99.0], [0.05, 0.3])
    found = posterior(MEAN, np.diag(SPREAD**2), np.full(HYPOTHESES, 1.0 / HYPOTHESES), evidence, SCENE)
    assert np.linalg.eigvalsh(found.covariance).min() > 1e-9
    assert np.abs(found.mean[:, :SHARED] - MEAN).max() < 3.0 * SPREAD.max()


def test_an_upload_that_is_still_coming_leaves_what_is_booked_for_the_rest() -> None:
    """Six hours unheard, 10 Wh booked an hour; the truth was 20. The first two hours come, then all: before, the later
    rows lost what was booked with the first part, and never got what came after.
    """
    steps = ChargeSteps(start_percent=100.0)
    for hour in range(1, 7):
        steps.change(Row(0.0, None, float(hour), 0.0, 0.0, 10.0 * hour), 101.0 - hour, 100.0 - hour, 1.0)
    steps.heal(np.array([0.0, 1.0, 2.0]), np.array([0.0, 20.0, 40.0]), 0.0, 0.0)
    last_wh = [steps.rows[-1][0], steps.rows[-1][4]]
    assert last_wh == pytest.approx([40.0, 35.0])  # halfway between the changes at 5 and 6 h: 5.5 h
    steps.heal(np.array([2.0, 6.0]), np.array([40.0, 120.0]), 0.0, 0.0)
    assert [row[0] for row in steps.rows[1:]] == pytest.approx([30.0, 50.0, 70.0, 90.0, 110.0])
    assert [row[4] for row in steps.rows] == pytest.approx([0.0] * 6)
    assert steps.last[0] == pytest.approx(120.0)
