"""The daily table that messages make is the one that the same runs make, and so are the states of the parts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecaster.domain.longrecord import HousePart, PartState
from tests.forecaster.health.chained import chained, differences
from tests.forecaster.health.world import Sampling, Truth

CLOGGED = replace(
    Truth(rate_l_per_min=130.0, base_l_per_min=4.0), flow=lambda day: 1.0 - 0.4 * np.clip((day - 28.0) / 6.0, 0.0, 1.0)
)


@pytest.mark.slow
@pytest.mark.parametrize(("sampling", "days"), [(Sampling.ON_CHANGE, 38), (Sampling.TEN, 8)])
def test_a_house_told_by_messages_is_the_one_made_run_by_run(sampling: Sampling, days: int) -> None:
    """Counts are equal, sums of seconds to a thousandth; a run on the hour's edge may count to either hour."""
    found = chained(CLOGGED, sampling, days, 4)
    off = differences(found)
    assert [day.day for day in found.by_messages] == [day.day for day in found.by_runs]
    assert found.refused == 0
    assert max(off[name] for name in ("runs", "told", "paired", "late", "told_s", "dry_s")) <= 1e-3
    assert off["power_w"] <= 5e-3
    assert off["peak_hour_s"] <= 0.2
    assert {part: found.states[part] for part in found.states_by_runs} == found.states_by_runs
    if days > 34:
        assert found.states[HousePart.DISCHARGE_LINE] is PartState.ACT
