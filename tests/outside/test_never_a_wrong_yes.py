"""Pairings that must not be told "yes", worked by hand; the arithmetic stands beside each.

Tables: NFPA 70 Tables 430.248, 430.7(B) and 400.5(A)(1), NEMA MG 1 12.44 (a motor is built for 90 % of its voltage and
more), MIL-HDBK-1005/9A 2.5.3.6 (share of time running = inflow / rate).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest

from forecaster.domain.errors import UsageError
from forecaster.domain.site import Chemistry, Load, Pack, Pit, Pump, Site
from forecaster.sizing.answer import Sizing, size
from forecaster.sizing.cord import Cord
from forecaster.sizing.options import Change
from forecaster.sizing.question import Question

PUMP = Pump(
    rated_voltage_v=115, rated_current_a=(5.2, 5.2), rated_power_w=480, locked_rotor_current_a=20,
    rated_flow_l_per_min=150,
)  # fmt: skip
"""20 A x 115 V = 2300 VA at the start, 2530 at the most."""

PACK = Pack(2048, continuous_w=2000, surge_w=4000, surge_s=5, output_voltage_v=120, charge_w=500)
SITE = Site("s", "s", "UTC", PUMP, PACK, pit=Pit(area_m2=0.166, drawdown_m=0.18, freeboard_m=0.3))
CALM = Question(20, 10)
STRONG = replace(PACK, surge_w=20_000)
REFRIGERATOR = Load("refrigerator", 150, start_va=2300)


@dataclass(frozen=True)
class Case:
    """run, start, keep: what each part must be; "" where the case does not turn on it."""

    name: str
    site: Site
    question: Question
    run: str = ""
    start: str = ""
    keep: str = ""
    leads: str = "No:"


PLATE_98 = Pump(rated_voltage_v=115, rated_current_a=(9.8, 9.8), power_factor=0.8)
QUARTER = Pump(rated_voltage_v=115, horsepower=0.25)

CASES = [
    Case("the good pairing: 480 W in 2000, 2530 VA in 4000, 0.056 x 3 x 1.5 / 0.9 = 0.28 of the rate",
         SITE, CALM, "yes", "yes", "yes", "Yes:"),
    Case("230 V pump, the pack's voltage not stated",
         Site("s", "s", "UTC", Pump(230, (3, 3), power_factor=0.8, locked_rotor_current_a=15),
              replace(PACK, output_voltage_v=None)), CALM, "unproven", "yes", "yes", "Unproven:"),
    Case("refrigerator 2300 VA + pump 598 VA = 2898 VA beside a surge of 2000",
         replace(SITE, pack=replace(PACK, surge_w=2000, continuous_w=1500), loads=(REFRIGERATOR,)), CALM, "yes", "no"),
    Case("two that start at 2300 VA: 4600 VA together, surge 3000, one after the other 2898",
         replace(SITE, pack=replace(PACK, surge_w=3000), loads=(REFRIGERATOR,)), CALM, "yes", "unproven", "yes",
         "Unproven:"),
    Case("duty 44 %, three times is 132 % of the rate: 50 L left over a minute fill 0.166 m2 x 0.3 m in a minute",
         SITE, Question(40, 40), "yes", "yes", "no"),
    Case("duty 100 %: no rest, no margin", SITE, Question(1, 3600), "yes", "yes", "no"),
    Case("duty 0.25: a storm asks 0.25 x 3 x 1.5 / 0.9 = 1.25 of the rate",
         SITE, Question(30, 30), "yes", "yes", "unproven", "Unproven:"),
    Case("18 AWG, 60 m: 2 x 196.9 ft x 7.77 / 1000 = 3.06 ohm x 9.8 A = 30 V of 120: 78 % of 115 V left",
         replace(SITE, pump=PLATE_98, pack=STRONG), replace(CALM, cord=Cord(18, 60)), "no", "no"),
    Case("lithium at -30 °C", SITE, replace(CALM, temperature_c=-30), "no"),
    Case("lithium at -15 °C", SITE, replace(CALM, temperature_c=-15), "unproven", "yes", "yes", "Unproven:"),
    Case("1/4 hp by horsepower alone: 6 x 5.8 A x 115 V = 4002 VA by a conductor table, surge 2000",
         replace(SITE, pump=QUARTER, pack=replace(PACK, surge_w=2000)), CALM, "yes", "unproven", "yes", "Unproven:"),
    Case("duty 100 % with hours asked: the water leads", SITE, Question(90, 40, for_hours=24), "yes", "yes", "no"),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_case(case: Case) -> None:
    found = size(case.site, case.question)
    parts = (found.can_run.answer, found.can_start.answer, found.can_keep_up.answer)
    for answer, expected in zip(parts, (case.run, case.start, case.keep), strict=True):
        assert answer == expected or not expected, found.can_run.why + found.can_start.why + found.can_keep_up.why
    assert str(found.verdict).startswith(case.leads)


def test_minutes_until_the_floor_is_wet() -> None:
    """198 L/min into 150: 48 L/min fill 1000 x 0.166 x 0.3 = 49.8 L in 1.04 min."""
    found: Sizing = size(SITE, Question(44, 36))
    assert "1.04 min" in found.can_keep_up.why


def test_a_pack_that_does_not_last_the_hours_asked_is_no() -> None:
    """480 W x 20 x 10 s / 3600 = 26.7 Wh/h at the plug and 9 W idle: 2048 Wh last about two days, not a week."""
    found = size(SITE, replace(CALM, for_hours=168))
    assert found.can_last is not None
    assert found.can_last.answer == "no"
    assert found.verdict.startswith("No:")


def test_no_lithium_is_charged_below_zero() -> None:
    """A generator then only carries the loads for as long as it runs."""
    found = size(SITE, replace(CALM, temperature_c=-5), Change(generator_h=4))
    assert found.what_ifs[0].gained_h == pytest.approx(4.0)


def test_a_given_efficiency_is_not_changed_and_the_fast_drain_is_told_by_kind() -> None:
    """Peukert, flooded 1.25: (500 W x 20 h / 1200 Wh)^0.25 = 1.70; absorbent mat 1.1: 1.236."""
    pump = Pump(rated_voltage_v=115, rated_power_w=500, rated_current_a=(6, 6))
    for kind, factor in ((Chemistry.FLOODED, 1.70), (Chemistry.AGM, 1.236)):
        pack = Pack(1200, 1500, 3000, inverter_efficiency=0.85, chemistry=kind, reserve_percent=50)
        steps = size(Site("s", "s", "UTC", pump, pack), CALM).steps
        told = {str(step.name): step for step in steps}
        assert told["cost of a fast drain"].value == pytest.approx(factor, rel=0.002)
        assert "inverter 0.85" in told["pump from the battery"].formula


NONSENSE: list[tuple[str, Site, Change]] = [
    ("runs_per_hour: -2", replace(SITE, loads=(Load("freezer", 100, -2, 600),)), Change()),
    ("run_s: -600", replace(SITE, loads=(Load("freezer", 100, 2, -600),)), Change()),
    ("start_va: 100 VA is below", replace(SITE, loads=(Load("freezer", 150, start_va=100),)), Change()),
    ("30 runs of 600 s do not fit", replace(SITE, loads=(Load("freezer", 150, 30, 600),)), Change()),
    ("idle_w: -50 W", SITE, Change(idle_w=-50)),
    ("sky: 9", SITE, Change(sun_w=100, sky=9)),
    ("extra_wh: -5000 Wh", SITE, Change(extra_wh=-5000)),
    ("generator_h: -4 h", SITE, Change(generator_h=-4)),
    ("write 2048 if kWh were meant", replace(SITE, pack=replace(PACK, capacity_wh=2.048)), Change()),
    ("write 2000 if kW were meant", replace(SITE, pack=replace(PACK, continuous_w=2.0)), Change()),
]


@pytest.mark.parametrize(("says", "site", "change"), NONSENSE, ids=[says for says, _, _ in NONSENSE])
def test_nonsense_gives_no_verdict(says: str, site: Site, change: Change) -> None:
    with pytest.raises(UsageError) as told:
        size(site, CALM, change)
    assert says in str(told.value)
