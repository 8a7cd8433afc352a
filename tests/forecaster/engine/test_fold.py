"""What the fold hands to the models of rain: every millimetre once, in spans that the models are built for."""

from __future__ import annotations

from itertools import pairwise

import pytest

from forecaster.domain.quantities import Quantity
from forecaster.domain.times import HOUR_MS, MINUTE_MS
from forecaster.engine.buffer import ORDER
from forecaster.engine.evidence import FoldOutput, RainSpan
from forecaster.engine.fold import Fold
from tests.forecaster.cellar import START, site


def told_of(quantity: Quantity, every_minutes: int, values: list[float]) -> list[RainSpan]:
    """What a fold hands on of values at a cadence."""
    fold, told = Fold.of(site(Quantity.PUMP_POWER, quantity)), FoldOutput()
    times = [START + index * every_minutes * MINUTE_MS for index in range(len(values))]
    code = ORDER.index(quantity)
    fold.take([(at_ms, code, "", at_ms, value) for at_ms, value in zip(times, values, strict=True)], told)
    return [one for one in told.evidence if isinstance(one, RainSpan)]


@pytest.mark.parametrize("every_minutes", [1, 3, 5, 15])
def test_rain_is_handed_on_once_a_quarter_of_an_hour_and_none_is_lost(every_minutes: int) -> None:
    """0.1 mm a minute for three hours: twelve quarters of 1.5 mm, the first with the reading that began it."""
    found = told_of(Quantity.RAIN_DEPTH, every_minutes, [0.1 * every_minutes] * (180 // every_minutes + 1))
    assert len(found) == 12
    assert all(later.start_ms == earlier.stop_ms for earlier, later in pairwise(found))
    assert [one.depth_mm for one in found[1:]] == pytest.approx([1.5] * 11)
    assert found[0].depth_mm == pytest.approx(1.5 + 0.1 * every_minutes)


def test_depths_of_an_hour_are_handed_on_hour_by_hour() -> None:
    found = told_of(Quantity.RAIN_DEPTH, 60, [6.0] * 4)
    assert [(one.stop_ms - one.start_ms) / HOUR_MS for one in found] == [1.0, 1.0, 1.0]


def test_a_rate_is_summed_over_its_time() -> None:
    """Six dry hours, by which the cadence is known; 6 mm/h for three hours are 18 mm."""
    found = told_of(Quantity.RAIN_RATE, 5, [0.0] * 72 + [6.0] * 36 + [0.0] * 12)
    assert sum(one.depth_mm for one in found) == pytest.approx(18.0)
