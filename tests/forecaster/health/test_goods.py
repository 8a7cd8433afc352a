"""A part that is not good is told of or unknown, in short records and where the sampling cannot tell."""

from __future__ import annotations

import pytest

from forecaster.domain.longrecord import HousePart, PartState
from tests.forecaster.health.goods import CLOG, FAULTS, QUIET, SLOW_CLOG, Fault, states
from tests.forecaster.health.scored import TOLD
from tests.forecaster.health.world import Sampling


@pytest.mark.parametrize("sampling", [Sampling.ON_CHANGE, Sampling.TEN])
@pytest.mark.parametrize("days", [21, 28, 38, 64])
def test_a_clog_in_a_short_record_is_not_called_good(days: int, sampling: Sampling) -> None:
    """Four days after it is complete, in houses of which half were called good when the clog widened its own errors."""
    found = [states(fault, sampling, days, seed) for fault in (CLOG, SLOW_CLOG) for seed in (2, 5, 8)]
    assert all(state is not PartState.GOOD for one in found for state in one.values())
    if days > 28:
        assert all(state in TOLD for one in found for state in one.values())


def test_a_short_record_in_which_nothing_happened_is_left_alone() -> None:
    for seed in (2, 5):
        found = states(QUIET, Sampling.ON_CHANGE, 28, seed)
        assert found.pop(HousePart.CHECK_VALVE) is PartState.UNKNOWN
        assert set(found.values()) == {PartState.GOOD}


def test_a_float_that_sticks_within_the_first_weeks_is_not_called_good() -> None:
    """A baseline of four weeks that held the change as well understated it."""
    sticks = next(fault for fault in FAULTS if HousePart.FLOAT in fault.parts and fault is not QUIET)
    assert all(states(sticks, Sampling.ON_CHANGE, 21, seed)[HousePart.FLOAT] is not PartState.GOOD for seed in range(4))


@pytest.mark.parametrize("sampling", [Sampling.THIRTY, Sampling.COUNTER])
@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault is not QUIET], ids=lambda fault: fault.name)
def test_samplings_that_cannot_tell_call_nothing_good(fault: Fault, sampling: Sampling) -> None:
    found = states(fault, sampling, 120, 3)
    power = fault.parts == (HousePart.PUMP_POWER,) and sampling is Sampling.THIRTY
    assert all(state in TOLD if power else state is PartState.UNKNOWN for state in found.values())
