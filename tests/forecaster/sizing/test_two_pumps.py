"""Two pumps in one pit before buying: both at once, each by itself, and together against the water. By hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forecaster.domain.errors import UsageError
from forecaster.domain.site import Driven, NamedPump, Pack, Pit, Pump, Site
from forecaster.sizing.answer import Sizing, document, size
from forecaster.sizing.options import Change
from forecaster.sizing.question import Question
from forecaster.sizing.terms import Answer
from forecaster.sizing.told import told
from forecaster.twin.live import larkspur_site

MAIN = Pump(rated_voltage_v=115.0, rated_power_w=480.0, locked_rotor_current_a=20.0, rated_flow_l_per_min=150.0)
"""It starts at 20 A x 115 V = 2300 VA."""
BACKUP = replace(MAIN, rated_power_w=400.0, rated_flow_l_per_min=100.0)
BY_WATER = Pump(rated_flow_l_per_min=60.0)
PACK = Pack(1024.0, 1800.0, 9000.0, surge_s=5.0, output_voltage_v=120.0, inverter_efficiency=0.88, idle_w=9.0)
ASKED = Question(cycles_per_hour=20.0, run_s=10.0)


def house(second: NamedPump | None, pack: Pack = PACK) -> Site:
    pumps = () if second is None else (NamedPump("main", MAIN), second)
    return replace(larkspur_site(), pump=MAIN, pack=pack, pit=Pit(0.166, 0.18, 0.3), pumps=pumps)


def electric(pump: Pump = BACKUP) -> NamedPump:
    return NamedPump("backup", pump, starts_above_m=0.1)


def answers(found: Sizing) -> tuple[Answer, Answer, Answer]:
    return found.can_run.answer, found.can_start.answer, found.can_keep_up.answer


def test_a_pack_that_carries_both_at_once_is_a_yes() -> None:
    """880 W of 1800; both starts in one moment ask for 1.1 x 2 x 2300 = 5060 VA of 9000."""
    assert answers(size(house(electric()), ASKED)) == (Answer.YES, Answer.YES, Answer.YES)


def test_two_starts_in_one_moment_are_not_shown_where_one_after_the_other_fits() -> None:
    """One start beside the other one running: 2530 + 400 = 2930 VA of 3200; both at once 5060. One pump alone: yes."""
    strong = replace(PACK, surge_w=3200.0)
    assert size(house(None, strong), ASKED).can_start.answer is Answer.YES
    found = size(house(electric(), strong), ASKED).can_start
    assert found.answer is Answer.UNPROVEN
    assert "backup" in found.why


def test_a_pack_too_weak_for_both_is_no_yes() -> None:
    """480 W alone fit into 600; beside 280 to 400 W more they do not."""
    weak = replace(PACK, continuous_w=600.0)
    assert size(house(None, weak), ASKED).can_run.answer is Answer.YES
    assert size(house(electric(), weak), ASKED).can_run.answer is not Answer.YES
    assert size(house(electric(replace(BACKUP, rated_power_w=300.0)), replace(PACK, continuous_w=400.0)),
                ASKED).can_run.answer is not Answer.YES  # fmt: skip


def test_water_that_is_too_much_for_one_may_be_lifted_by_both() -> None:
    """Duty 0.29 in a dry week is 0.87 in a wet season, 1.45 in a storm on a worn pump: not shown for one of 150 L/min;
    with 100 L/min more it is 0.87. At duty 0.44 and 1.32 even one is too small, and both are not shown in a storm."""
    hard, harder = Question(cycles_per_hour=60.0, run_s=17.4), Question(cycles_per_hour=60.0, run_s=26.4)
    assert size(house(None), hard).can_keep_up.answer is Answer.UNPROVEN
    assert size(house(electric()), hard).can_keep_up.answer is Answer.YES
    assert size(house(None), harder).can_keep_up.answer is Answer.NO
    both = size(house(electric()), harder).can_keep_up
    assert both.answer is Answer.UNPROVEN
    assert "with both pumps" in both.why
    unstated = size(house(electric(replace(BACKUP, rated_flow_l_per_min=None))), harder).can_keep_up
    assert unstated.answer is Answer.UNPROVEN


def test_each_pump_is_told_as_if_it_lifted_all_the_water() -> None:
    """For the same water the second one runs 15 s for 10, at 400 W for 480: 1.25 times the energy; the idle stays."""
    found = document(size(house(electric()), ASKED))["pumps"]
    assert [one["id"] for one in found] == ["main", "backup"]
    main, backup = (one["hours_remaining"]["p50"] for one in found)
    single = size(house(None), ASKED).hours_remaining.p50
    assert main == pytest.approx(single, rel=1e-3)
    assert 0.8 * main < backup < 0.95 * main


def test_a_pump_on_water_pressure_takes_no_watts_but_municipal_water() -> None:
    """V = 29.88 L in 180 - 10 s is 10.5 L/min: at 2 L for each litre lifted 1265 L/h."""
    by_water = NamedPump("backup", BY_WATER, Driven.WATER_PRESSURE, 0.1, 2.0)
    found, single = size(house(by_water), ASKED), size(house(None), ASKED)
    assert answers(found)[:2] == answers(single)[:2]
    assert found.hours_remaining == single.hours_remaining
    other = document(found)["pumps"][1]
    assert (other["can_run"], other["can_start"], other["hours_remaining"]) == ("yes", "yes", None)
    [used] = [step.value for step in found.steps if "municipal" in step.name]
    assert used == pytest.approx(60.0 * 29.88 / 170.0 * 60.0 * 2.0, rel=1e-3)
    said = " ".join(found.cautions)
    assert "private well" in said
    assert "Backflow" in said
    assert "licensed plumber" in said


def test_what_would_help_is_weighed_for_each_pump() -> None:
    """While the second lifts all the water: one more pack twice the hours of its own, less lift only where it lifts."""
    lifted = replace(BACKUP, static_head_m=2.6, maximum_head_m=6.5)
    sized = size(house(electric(lifted)), ASKED, Change(extra_wh=1024.0))
    main, backup = document(sized)["pumps"]
    assert [one["name"] for one in backup["what_if"]] == ["an expansion battery of 1,024 Wh"]
    assert "0.5 m less lift" in [one["what"] for one in backup["helps"]]
    assert "0.5 m less lift" not in [one["what"] for one in main["helps"]]
    for one in (main, backup):
        more, own = one["what_if"][0]["hours_remaining"]["p50"], one["hours_remaining"]["p50"]
        assert more == pytest.approx(2.0 * own, rel=0.02)
        assert all(help_["gained_h"] is None or help_["gained_h"] >= 0.0 for help_ in one["helps"])
    lines = told(sized).splitlines()
    start = next(index for index, line in enumerate(lines) if line.strip().startswith("backup:"))
    assert "expansion battery" in lines[start + 1]
    by_water = house(NamedPump("backup", BY_WATER, Driven.WATER_PRESSURE, 0.1, 2.0))
    assert document(size(by_water, ASKED))["pumps"][1]["helps"] == []


@pytest.mark.parametrize("cycles", [85.154, 91.2883, 89.8276, 37.3])
def test_a_second_pump_that_would_never_rest_is_told_as_one(cycles: float) -> None:
    """It runs for the whole cycle, 3600 s / cycles, which is no slip of the question, however that is rounded."""
    found = size(house(electric(replace(BACKUP, rated_flow_l_per_min=20.0))), Question(cycles, 0.3 * 3600.0 / cycles))
    assert found.pumps[1].can_keep_up.answer is Answer.NO


def test_a_second_pump_of_another_voltage_is_refused() -> None:
    with pytest.raises(UsageError, match="230"):
        size(house(electric(replace(BACKUP, rated_voltage_v=230.0))), ASKED)
