"""The size of a run, learnt over many, by the cycle T = V/(Qp - Qi) + V/Qi of MIL-HDBK-1005/9A 2.5.3.6."""

from __future__ import annotations

import pytest

from forecaster.segment.sizes import RunSize

EMPTYING_S, PUMP_W = 20.0, 480.0
"""Length of a run at no inflow, V/Qp, and its power."""


def cycle(duty: float) -> tuple[float, float]:
    """Length of a run and of its cycle [s] where the inflow is this share of the pump's rate."""
    run_s = EMPTYING_S / (1.0 - duty)
    return run_s, run_s + EMPTYING_S / duty


def learnt(runs: int, duty: float = 0.02) -> RunSize:
    size = RunSize()
    run_s, cycle_s = cycle(duty)
    for _ in range(runs):
        size.refine(run_s * PUMP_W / 3600.0, run_s, cycle_s, 1.0)
    return size


def test_a_run_without_a_cycle_before_it_teaches_nothing() -> None:
    size = RunSize()
    for cycle_s in (None, 0.0, -1.0):
        assert size.refine(3.0, 22.0, cycle_s, 1.0) == (3.0, 22.0)
    assert size.refine(0.0, 0.0, 100.0, 1.0) == (0.0, 0.0)
    assert size.count == 0
    size.refine(3.0, 22.0, 600.0, 1.0)
    assert size.count == 1


def test_the_size_at_a_mean_power_is_told_from_the_third_run_on() -> None:
    assert learnt(2).at_mean_w(48.0) is None
    found = learnt(3).at_mean_w(48.0)
    assert found is not None
    assert found == pytest.approx((EMPTYING_S * PUMP_W / 3600.0 / 0.9, EMPTYING_S / 0.9), rel=0.01)


@pytest.mark.parametrize("duty", [0.05, 0.15, 0.25, 0.3])
def test_a_run_caught_short_by_coarse_samples_is_told_at_the_length_of_its_cycle(duty: float) -> None:
    """Sixty runs weigh as much as the one that was sampled; polls of a minute say nothing of a run's length."""
    size = learnt(60)
    run_s, cycle_s = cycle(duty)
    caught_s = 0.8 * run_s
    wh, seconds = size.refine(caught_s * PUMP_W / 3600.0, caught_s, cycle_s, 60.0)
    assert seconds == pytest.approx((run_s + caught_s) / 2.0, rel=0.02)
    assert wh == pytest.approx(seconds * PUMP_W / 3600.0, rel=0.02)


def test_fine_samples_are_taken_as_they_are() -> None:
    size = learnt(60)
    run_s, cycle_s = cycle(0.1)
    assert size.refine(3.3, 1.1 * run_s, cycle_s, 1.0) == pytest.approx((3.3, 1.1 * run_s))
