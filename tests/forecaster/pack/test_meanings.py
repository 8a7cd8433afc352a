"""What a discharge's evidence may mean: a gauge that jumps, loads that are not there. The truth is simulated here."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecaster.domain.site import Load, Pack
from forecaster.maths.noise import seeds_of
from forecaster.pack.belief import PackBelief
from forecaster.pack.chargeline import ChargeSteps
from forecaster.pack.draws import PackDraws
from forecaster.pack.meanings import jumps

PACK = Pack(capacity_wh=1000.0, reserve_percent=10.0, idle_w=9.0, inverter_efficiency=0.88)
CAPACITY, PUMP_W = 940.0, 40.0
DRAIN_W = PUMP_W / 0.88 + 9.0


def discharged(
    until: float, step: float = 1.0, jump: tuple[float, float] = (0.0, 0.0), loads: tuple[Load, ...] = ()
) -> PackDraws:
    """Draws after a discharge from full until a true charge [%], by a gauge that is right but for one jump.

    jump : tuple of float — at which true charge, and by how much from then on [%]
    """
    belief = PackBelief(PACK, loads)
    belief.begin(0, 100.0)
    minute, true = 0, 100.0
    while true > until:
        minute += 1
        hours = minute / 60.0
        true = 100.0 * (1.0 - DRAIN_W * hours / CAPACITY)
        shown = true + (jump[1] if true <= jump[0] else 0.0)
        belief.observe(minute * 60_000, step * float(np.floor(shown / step)), PUMP_W * hours, 3600.0 * hours)
    return belief.draw(400, seeds_of(1, 1)[0])


def hours_left(draws: PackDraws) -> tuple[float, float, float]:
    hours = draws.to_reserve_wh / (PUMP_W / draws.efficiency + draws.idle_w + draws.loads_w / draws.efficiency)
    low, middle, high = np.quantile(hours, [0.1, 0.5, 0.9]).tolist()
    return low, middle, high


def truth_h(percent: float) -> float:
    return CAPACITY * (percent - 10.0) / 100.0 / DRAIN_W


@pytest.mark.parametrize("by", [8.0, -8.0])
def test_a_gauge_that_jumps_may_be_off_before_or_since(by: float) -> None:
    """Nobody tells which, so the range reaches from the one to the other."""
    low, _, high = hours_left(discharged(50.0, jump=(75.0, by)))
    one, other = sorted([truth_h(50.0), truth_h(50.0 + by)])
    assert low < 1.03 * one
    assert high > 0.97 * other


def test_without_a_jump_nothing_is_wider() -> None:
    low, middle, high = hours_left(discharged(50.0))
    assert middle == pytest.approx(truth_h(50.0), rel=0.05)
    assert high - low < 0.15 * middle


@pytest.mark.parametrize("step", [5.0, 10.0, 25.0])
def test_the_steps_of_a_coarse_gauge_are_no_jumps(step: float) -> None:
    low, middle, high = hours_left(discharged(42.0, step))
    assert low < truth_h(42.0) < high
    assert middle == pytest.approx(truth_h(42.0), rel=0.2)


def test_loads_that_are_listed_and_not_there_are_noticed() -> None:
    """A heater of 60 W that nobody measures, beside a pump of 40 W: the charge falls less than half as fast."""
    _, middle, _ = hours_left(discharged(60.0, loads=(Load("heater", 60.0),)))
    assert middle == pytest.approx(truth_h(60.0), rel=0.1)


def test_what_was_drawn_meanwhile_is_no_jump() -> None:
    """30 % fell while 300 Wh of 1,000 were counted: the gauge was silent, not set anew. 30 % in no time is a jump."""
    counted = ChargeSteps(
        start_percent=100.0, rows=[[20.0, np.nan, 1.0, 0.0, 0.0], [320.0, np.nan, 6.0, 0.0, 0.0]], edges=[97.0, 67.0]
    )
    at_once = ChargeSteps(
        start_percent=100.0, rows=[[20.0, np.nan, 1.0, 0.0, 0.0], [20.1, np.nan, 1.0, 0.0, 0.0]], edges=[97.0, 67.0]
    )
    assert jumps(counted, 1.0, 1000.0, 9.0, 0.0) == [0.0, 0.0]
    assert jumps(at_once, 1.0, 1000.0, 9.0, 0.0) == [0.0, -30.0]


def test_a_jump_is_counted_from_the_middle_of_the_step_before_it() -> None:
    """From 88 to 87 % the gauge stood at 87.5 %. Jumping from 87 to 95 % it went up by 8, not by the 7.5 from there."""
    rows = [[20.0, np.nan, 1.0, 0.0, 0.0], [22.0, np.nan, 1.1, 0.0, 0.0], [22.1, np.nan, 1.1, 0.0, 0.0]]
    up = ChargeSteps(start_percent=100.0, rows=rows, edges=[88.5, 87.5, 95.0])
    assert jumps(up, 1.0, 1000.0, 9.0, 0.0) == [0.0, 0.0, 8.0]
    assert jumps(replace(up, edges=[88.5, 87.5, 79.0]), 1.0, 1000.0, 9.0, 0.0) == [0.0, 0.0, -8.0]


@pytest.mark.parametrize("until", [60.0, 40.0, 25.0])
def test_a_gauge_that_jumped_up_may_be_off_since_and_the_early_end_reaches_there(until: float) -> None:
    """It may be right since just as well, so a third of the draws have the end that the true charge has, or an earlier
    one: more than a quarter lie before it.
    """
    draws = discharged(until, jump=(80.0, 8.0))
    hours = draws.to_reserve_wh / (PUMP_W / draws.efficiency + draws.idle_w)
    assert float(np.mean(hours < truth_h(until))) > 0.25
