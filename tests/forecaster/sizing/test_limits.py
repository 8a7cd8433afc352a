"""What the verdicts of a sizing turn on, just within and just beyond each limit."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import replace
from typing import Any

import pytest

from forecaster.domain.errors import UsageError
from forecaster.domain.site import Load, Pack, Pit, Pump, Site
from forecaster.sizing.cord import Cord
from forecaster.sizing.draw import Draw, total_head
from forecaster.sizing.keep_up import _judged, inflow_l_per_min
from forecaster.sizing.pipe import Pipe, friction_head_m
from forecaster.sizing.question import Question, check_loads
from forecaster.sizing.running import _by_cord, _by_watts, together
from forecaster.sizing.seasons import assumed
from forecaster.sizing.terms import Answer, Band
from forecaster.texts.catalogue import Said

YES, NO, UNPROVEN = Answer.YES, Answer.NO, Answer.UNPROVEN


@pytest.mark.parametrize(
    ("asked", "wet", "grounded", "answer"),
    [
        (0.2, 0.59, True, YES), (0.2, 0.61, True, UNPROVEN),  # half as much again in a storm, of a pump worn to 90 %
        (0.2, 0.59, False, UNPROVEN), (0.2, 1.0, True, UNPROVEN), (0.2, 1.01, True, NO),
        (0.99, 0.5, True, YES), (1.0, 0.5, True, NO),
    ],
)  # fmt: skip
def test_a_pump_keeps_up_where_it_still_does_in_a_storm(
    asked: float, wet: float, grounded: bool, answer: Answer
) -> None:
    """Common practice, no source: 1.5 times the wet season's inflow, nine tenths of the rate: 0.6 of it at most."""
    assert _judged(asked, wet, grounded, None).answer is answer


def test_inflow_is_the_drawdown_over_the_rest() -> None:
    """30 L each time; 10 runs an hour of 60 s leave 300 s of rest: 6 L/min."""
    site = Site("larkspur", "Larkspur Lane", "UTC", Pump(), Pack(1000), pit=Pit(area_m2=0.25, drawdown_m=0.12))
    question = Question(cycles_per_hour=10.0, run_s=60.0)
    assert inflow_l_per_min(site, question) == pytest.approx(6.0)
    assert inflow_l_per_min(site, replace(question, run_s=360.0)) is None, "it never rests"
    assert inflow_l_per_min(replace(site, pit=Pit()), question) is None


@pytest.mark.parametrize(
    ("field", "most"), [("watts", 20_000.0), ("start_va", 1e6), ("runs_per_hour", 3600.0), ("run_s", 86_400.0)]
)
def test_what_may_be_said_of_a_load(field: str, most: float) -> None:
    """From nothing up to so much; a start takes no less than running."""
    whole = Load("freezer", 0.0, runs_per_hour=1 / 24, run_s=1.0)
    site = Site("larkspur", "Larkspur Lane", "UTC", Pump(), Pack(1000))
    for value in (0.0, most, -0.1, 1.0001 * most):
        said: dict[str, Any] = {field: value}
        with nullcontext() if 0.0 <= value <= most else pytest.raises(UsageError, match=field):
            check_loads(replace(site, loads=(replace(whole, **said),)))


def test_everything_at_once_is_the_sum() -> None:
    loads = (Load("router", 12.0), Load("freezer", 90.0, runs_per_hour=2.0, run_s=600.0))
    assert together(None, loads) == (Band(102.0, 102.0, 102.0), Band(102.0, 102.0, 102.0))


@pytest.mark.parametrize(
    ("low", "high", "answer"), [(300, 900, YES), (300, 901, UNPROVEN), (900, 950, UNPROVEN), (901, 950, NO)]
)
def test_watts_against_a_rating_of_900(low: float, high: float, answer: Answer) -> None:
    pack = Pack(1000.0, continuous_w=900.0)
    assert _by_watts(Band(low, (low + high) / 2, high), pack, 10.0, Said("size.run.within")).answer is answer
    assert _by_watts(Band(low, (low + high) / 2, high), Pack(1000.0), 10.0, Said("size.run.within")).answer is UNPROVEN


def test_seasons_are_multiples_of_the_described_one() -> None:
    """A quarter in the dry one, three times as much in the wet one; no more than a pump that never rests."""
    assert [watts for _, watts in assumed(100.0, 250.0)] == [25.0, 100.0, 250.0]
    assert [watts for _, watts in assumed(80.0, 250.0)] == [20.0, 80.0, 240.0]


def test_friction_adds_to_the_static_head() -> None:
    """Where no greatest head tells of the curve: 3 m and the pipe's friction at the rated flow."""
    pipe, pump = Pipe(0.04, 10.0), Pump(static_head_m=3.0, rated_flow_l_per_min=150.0)
    assert total_head(pump, pipe)[0] == pytest.approx(3.0 + friction_head_m(pipe, 150.0))
    assert total_head(pump, None)[0] == 3.0
    assert total_head(Pump(), pipe)[0] is None


@pytest.mark.parametrize(("rated_a", "cut"), [(12.9, False), (13.1, True)])
def test_a_cord_of_16_awg_carries_13_a(rated_a: float, cut: bool) -> None:
    """NEC, table 400.5(A)(1), two conductors in use. Twelve inches of it drop next to nothing."""
    pump = Pump(rated_voltage_v=115.0, rated_current_a=(rated_a, rated_a))
    pack = Pack(1000, continuous_w=3000.0, output_voltage_v=115.0)
    va = Band(*[115.0 * rated_a] * 3)
    found = _by_cord(Draw(va, va, None, "", (), ()), pump, pack, Cord(16, 0.3))
    assert [finding.answer for finding in found] == [NO] * cut
