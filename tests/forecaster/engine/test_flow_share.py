"""Flow told from run and wait: MIL-HDBK-1005/9A 2.5.3.6, T = V/(Qp-Qi) + V/Qi, whatever the inflow and the sampling."""

from __future__ import annotations

import pytest

from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Run, Supply
from forecaster.engine.normals import Normals
from forecaster.segment.hearing import Hearing

VOLUME_L = 30.0


def fold(normals: Normals, runs: int, pump_l_per_s: float, inflows: tuple[float, ...], step_s: float) -> None:
    """Runs as a plug sampled every step_s shows them: each edge at the next sample."""
    last = normals.last_run
    at_s = 0.0 if last is None else last.start_ms / 1000.0 + 200.0
    for number in range(runs):
        inflow = inflows[number % len(inflows)] / 60.0
        at_s += VOLUME_L / inflow
        stop_s = at_s + VOLUME_L / (pump_l_per_s - inflow)
        edges = [1000 * round(step_s * -(-moment // step_s)) for moment in (at_s, stop_s)]
        run = Run("s", edges[0], edges[1], 1.0, 470.0, 500.0, Quantity.PUMP_POWER, Supply.MAINS, 3)
        if edges[1] > edges[0]:
            normals.run(run, after_gap=False, hearing=Hearing(step_s))
        at_s = stop_s


@pytest.mark.parametrize("step_s", [1.0, 5.0, 10.0])
def test_a_discharge_two_fifths_clogged_is_seen_and_a_storm_is_none(step_s: float) -> None:
    normals = Normals()
    fold(normals, 200, 2.5, (4.0, 7.0, 10.0), step_s)
    assert normals.flow_share() == pytest.approx(1.0, abs=0.2)
    fold(normals, 60, 2.5, (40.0, 55.0), step_s)
    assert normals.flow_share() == pytest.approx(1.0, abs=0.2)
    fold(normals, 40, 0.6 * 2.5, (4.0, 7.0, 10.0), step_s)
    assert normals.flow_share() == pytest.approx(0.6, abs=0.1)
