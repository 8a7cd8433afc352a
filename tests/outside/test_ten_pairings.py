"""Ten described pairings of pump and pack, with the verdict an electrician would sign.

The rule: a pack passes only where running W <= continuous W, running VA <= continuous VA if that is rated, and
locked-rotor A x V <= surge VA for at least the time of coming up to speed; where the surge duration is not stated, only
a live start settles it. Tables: NFPA 70. What has no source is common practice and says so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest

from forecaster.domain.site import Chemistry, Load, Pack, Pump, Site
from forecaster.sizing.answer import Sizing, size
from forecaster.sizing.cord import Cord
from forecaster.sizing.question import ObservedStart, Question


@dataclass(frozen=True)
class Case:
    name: str
    source: str
    pump: Pump
    pack: Pack
    question: Question
    can_run: str
    can_start: str
    says: str
    loads: tuple[Load, ...] = ()


RHYTHM = Question(cycles_per_hour=20, run_s=10)
THIRD = Pump(rated_voltage_v=115, rated_current_a=(5.2, 5.2), power_factor=0.8, horsepower=1 / 3, locked_rotor_code="L")
HALF = Pump(rated_voltage_v=115, horsepower=0.5)

CASES = [
    Case(
        "small pump, generous pack with a stated surge",
        "NFPA 70 Table 430.7(B), letter L: 1000 x 9.99 x 1/3 / 115 V = 29.0 A, 3330 VA",
        THIRD, Pack(2048, continuous_w=2000, surge_w=4000, surge_s=5), RHYTHM, "yes", "yes", "within the surge",
    ),
    Case(
        "small pump, surge whose duration is not stated",
        "NFPA 70 Table 430.7(B); a surge without a duration proves nothing (common practice, no source)",
        THIRD, Pack(2048, continuous_w=2000, surge_w=4000), RHYTHM, "yes", "unproven", "not stated",
    ),
    Case(
        "small pump, low-surge pack",
        "NFPA 70 Table 430.7(B), letter L at the least: 1000 x 9.0 x 1/3 = 3000 VA, above 1800",
        THIRD, Pack(1024, continuous_w=900, surge_w=1800), RHYTHM, "yes", "no", "more than the surge",
    ),
    Case(
        "the same low-surge pack, on which a start was seen",
        "an observed start is stronger evidence than any rating (common practice, no source)",
        THIRD, Pack(1024, continuous_w=900, surge_w=1800),
        Question(20, 10, observed_start=ObservedStart(True, 480, 10)), "yes", "yes", "seen to start",
    ),
    Case(
        "half a horsepower on a pack of 1800 W with 3600 W surge",
        "NFPA 70 Table 430.251(A): 58.8 A x 115 V = 6762 VA, above 3600 W even at two thirds of it",
        HALF, Pack(2000, continuous_w=1800, surge_w=3600, surge_s=3), RHYTHM, "yes", "no", "430.251(A)",
    ),
    Case(
        "surge would have to carry the run",
        "600 W continuous, 1200 W surge, about 800 W running (common practice, no source)",
        Pump(rated_voltage_v=120, rated_current_a=(4.7, 9.4)), Pack(720, continuous_w=600, surge_w=1200),
        Question(20, 10, running_w=800), "unproven", "no", "surge of 1,200 W would have to carry the run",
    ),
    Case(
        "long thin cord",
        "NFPA 70 Table 400.5(A)(1): 18 AWG carries 10 A; 3/4 hp takes 13.8 A by Table 430.248",
        Pump(rated_voltage_v=115, rated_current_a=(13.8, 13.8), power_factor=0.9),
        Pack(4000, continuous_w=3000, surge_w=12000, surge_s=5),
        Question(20, 10, cord=Cord(18, 30)), "no", "unproven", "18 AWG",
    ),
    Case(
        "lead-acid bank behind a large inverter",
        "6 x 6.5 A x 115 V = 4485 VA and at most 8 x = 5980 VA (common practice) within 6000 W for 20 s",
        Pump(rated_voltage_v=115, rated_current_a=(6.5, 6.5), power_factor=0.7),
        Pack(2400, continuous_w=3000, surge_w=6000, surge_s=20, chemistry=Chemistry.LEAD_ACID, reserve_percent=50),
        RHYTHM, "yes", "yes", "within the surge",
    ),
    Case(
        "230 V pump on a 230 V pack",
        "NFPA 70 Table 430.251(A): 1/2 hp at 230 V 29.4 A, 6762 VA, a tenth more is within 8000 W for 3 s",
        Pump(rated_voltage_v=230, horsepower=0.5),
        Pack(3000, continuous_w=3000, surge_w=8000, surge_s=3, output_voltage_v=230),
        RHYTHM, "yes", "yes", "430.251(A)",
    ),
    Case(
        "iron-phosphate pack already carrying a refrigerator",
        "running W of all that is on together <= continuous W; 450 + 480 W above 900 W; both starting in one moment "
        "1.1 x 22 A x 115 V + 450 + (1100 - 450) = 3883 VA, above 3500",
        Pump(rated_voltage_v=115, rated_power_w=480, rated_current_a=(5.2, 5.2), locked_rotor_current_a=22),
        Pack(1500, continuous_w=900, surge_w=3500, surge_s=2), RHYTHM, "unproven", "unproven", "both sides of 900 W",
        (Load("refrigerator", 450, 1.5, 1200, 1100),),
    ),
]  # fmt: skip


def answer(case: Case) -> Sizing:
    stated = replace(case.pack, output_voltage_v=case.pack.output_voltage_v or 120.0)
    site = Site("case", "case", "UTC", case.pump, stated, loads=case.loads)
    return size(site, case.question)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_pairing(case: Case) -> None:
    sizing = answer(case)
    assert (sizing.can_run.answer, sizing.can_start.answer) == (case.can_run, case.can_start), case.source
    assert case.says in f"{sizing.can_run.why} {sizing.can_start.why}"
    for finding in (sizing.can_run, sizing.can_start):
        assert finding.why
        assert (finding.settle is None) == (finding.answer == "yes")


def test_a_seen_failure_is_a_no_whatever_the_ratings() -> None:
    site = Site("s", "s", "UTC", THIRD, Pack(2048, continuous_w=4000, surge_w=8000, surge_s=10))
    assert size(site, RHYTHM).can_start.answer == "yes"
    failed = size(site, Question(20, 10, observed_start=ObservedStart(False)))
    assert failed.can_start.answer == "no"


def test_pinned_power_settles_no_run() -> None:
    """Power that sits at the rating may hide more."""
    site = Site(
        "s", "s", "UTC", Pump(rated_voltage_v=115, rated_power_w=950, rated_current_a=(9, 9)), Pack(1024, 900, 4000)
    )
    pinned = Question(20, 10, observed_start=ObservedStart(True, 900, 12, pinned=True))
    assert size(site, pinned).can_run.answer == "unproven"
    clear = Question(20, 10, observed_start=ObservedStart(True, 850, 12))
    assert size(site, clear).can_run.answer == "yes"


def test_a_long_cord_turns_a_start_doubtful() -> None:
    """Torque goes with voltage squared; 100 ft of 16 AWG at 43 A leaves about half (4.89 ohm/1000 ft, from memory)."""
    strong = Pack(2048, continuous_w=3000, surge_w=9000, surge_s=5)
    pump = Pump(rated_voltage_v=115, rated_current_a=(7.2, 7.2), locked_rotor_current_a=43.2)
    site = Site("s", "s", "UTC", pump, strong)
    assert size(site, RHYTHM).can_start.answer == "yes"
    through = size(site, Question(20, 10, cord=Cord(16, 100 * 0.3048)))
    assert through.can_start.answer == "unproven"
    assert "torque" in through.can_start.why
    assert size(site, Question(20, 10, cord=Cord(12, 3))).can_start.answer == "yes"


def test_surge_time_against_run_length() -> None:
    """A surge that ends before the run does carries no run."""
    pump = Pump(rated_voltage_v=120, rated_power_w=800, rated_current_a=(8, 8))
    question = Question(20, 10, running_w=800)
    short = size(Site("s", "s", "UTC", pump, Pack(720, 600, 1200, surge_s=2)), question)
    assert short.can_run.answer == "no"
    long = size(Site("s", "s", "UTC", pump, Pack(720, 600, 1200, surge_s=60)), question)
    assert long.can_run.answer == "unproven"
    none = size(Site("s", "s", "UTC", pump, Pack(720, 600, 700)), question)
    assert none.can_run.answer == "no"
