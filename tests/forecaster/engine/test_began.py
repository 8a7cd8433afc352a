"""An outage that only the charge tells of: the first step down is half a step of energy used, not a leak in no time."""

from __future__ import annotations

import pytest

from api.offline.zoo import BY_NAME
from forecaster.domain.runs import Supply
from forecaster.domain.times import HOUR_MS
from forecaster.engine import Engine
from forecaster.twin.zoo.cases import zoo_case


def test_the_range_is_not_torn_open_by_the_first_step_down() -> None:
    """A varied house of 11 h. Before, the step was taken for charge that left in no time: the early end of the range
    stood at 0.9 h, for a critical alarm that was taken back half an hour later.
    """
    case = zoo_case(BY_NAME["control-no-flag"], 1)
    engine, coming = Engine(case.site), iter(case.readings)
    reading = next(coming)
    for minutes in (6, 12, 25):
        now_ms = case.transfer_ms + minutes * 60_000
        while reading.arrived_ms <= now_ms:
            engine.update(reading)
            reading = next(coming)
        said = engine.forecast(now_ms)
        true_h = (case.reserve_ms - now_ms) / HOUR_MS
        assert said.supply is Supply.PACK
        assert said.hours_remaining.p10 is not None
        assert said.hours_remaining.p10 == pytest.approx(true_h, rel=0.2)
