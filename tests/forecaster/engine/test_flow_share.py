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


def test_runs_between_which_a_sample_or_two_fit_tell_nothing_of_the_flow() -> None:
    """Runs of 31 s every 10 min, sampled every 30.7 s, then several that look like one: seen on for three samples and
    off for two. By the formula that would be 92.1 (1 - 92.1 / 153.5) = 36.8 s dry, not 29.4: a flow of 0.8.
    """
    normals, step_s, at_s = Normals(), 30.7, 0.0
    for count, run_s, interval_s in ((60, 31.0, 600.0), (20, 3 * step_s, 5 * step_s)):
        for _ in range(count):
            at_s += interval_s
            edges = round(1000.0 * at_s), round(1000.0 * (at_s + run_s))
            run = Run("s", *edges, 1.0, 470.0, 500.0, Quantity.PUMP_POWER, Supply.MAINS, 3)
            normals.run(run, after_gap=False, hearing=Hearing(step_s))
    assert normals.flow_share() == pytest.approx(1.0)
