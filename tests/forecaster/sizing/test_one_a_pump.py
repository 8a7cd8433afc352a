"""Two pumps that each hang on a pack of their own, before buying: each against its own pack, and the hours of both.

By hand. What one pack holds never helps the other pump, and the weakest part leads.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from forecaster.domain.errors import UsageError
from forecaster.domain.site import Arrangement, Driven, Load, NamedPack, NamedPump, Pack, Pit, Pump, Site
from forecaster.pack.bank import taken_together
from forecaster.sizing.answer import Sizing, document, size
from forecaster.sizing.options import Change
from forecaster.sizing.question import Question
from forecaster.sizing.terms import Answer
from forecaster.sizing.told import told
from forecaster.texts.catalogue import words
from forecaster.twin.live import larkspur_site

MAIN = Pump(rated_voltage_v=115.0, rated_power_w=480.0, locked_rotor_current_a=20.0, rated_flow_l_per_min=150.0)
"""It starts at 20 A x 115 V = 2300 VA."""
BACKUP = replace(MAIN, rated_power_w=400.0, rated_flow_l_per_min=100.0)
PACK = Pack(1024.0, 900.0, 4600.0, surge_s=5.0, output_voltage_v=120.0, inverter_efficiency=0.88, idle_w=9.0)
ASKED = Question(cycles_per_hour=20.0, run_s=10.0)


def house(left: Pack = PACK, right: Pack = PACK, second: Pump = BACKUP, *loads: Load) -> Site:
    pumps = (NamedPump("main", MAIN), NamedPump("backup", second, Driven.PACK, 0.1))
    packs = (NamedPack("left", left, "main"), NamedPack("right", right, "backup"))
    return replace(
        larkspur_site(), pump=MAIN, pumps=pumps, pack=taken_together(packs), packs=packs,
        arrangement=Arrangement.ONE_A_PUMP, pit=Pit(0.166, 0.18, 0.3), loads=loads,
    )  # fmt: skip


def single(pump: Pump, pack: Pack, asked: Question, *loads: Load) -> Sizing:
    site = replace(house(), pump=pump, pumps=(), pack=pack, packs=(), arrangement=None, loads=loads)
    return size(site, asked)


def answers(found: Sizing) -> tuple[Answer, Answer, Answer]:
    return found.can_run.answer, found.can_start.answer, found.can_keep_up.answer


def p50(found: Sizing) -> float:
    assert found.hours_remaining.p50 is not None
    return found.hours_remaining.p50


def usable_wh(found: Sizing) -> float:
    return next(step.value for step in found.steps if step.name == "usable energy")


def test_each_pump_is_held_against_its_own_pack() -> None:
    """One pack for both would have to run 480 + 400 W beside each other, of 900, and start two motors at once."""
    found = size(house(), ASKED)
    assert answers(found) == (Answer.YES, Answer.YES, Answer.YES)
    assert "pump main on pack left" in found.can_run.why
    assert "pump backup on pack right" in found.can_run.why
    assert [(one.id, one.pack) for one in found.pumps] == [("main", "left"), ("backup", "right")]


@pytest.mark.parametrize(("place", "pump"), [(0, "main"), (1, "backup")])
def test_a_pack_too_weak_for_its_pump_leads(place: int, pump: str) -> None:
    """200 W for 480, and for 280 to 400: however strong the other pack is."""
    packs = [PACK, PACK]
    packs[place] = replace(PACK, continuous_w=200.0)
    found = size(house(packs[0], packs[1]), ASKED)
    assert found.can_run.answer is Answer.NO
    assert f"pump {pump} on pack" in found.can_run.why
    packs[place] = replace(PACK, surge_w=1000.0)
    found = size(house(packs[0], packs[1]), ASKED)
    assert found.can_start.answer is Answer.NO
    assert f"pump {pump} on pack" in found.can_start.why


def test_the_hours_are_those_of_one_pump_after_the_other() -> None:
    """By hand, C Wh in each: 480 W x 200 s an hour are 26.7 W, 39.3 W with losses and idle, so C/39.3 h to empty. The
    other pack idles at 9 W meanwhile, is to keep both reserves, 0.2 C, and then gives 33.3 W, 46.9 W in all:
    (0.8 - 9/39.3) C/46.9 = 0.571 C/46.9 h. With 0.9 C/39.3 h for one pump alone, its hours times 1.11 + 0.532."""
    both, one = size(house(), ASKED), single(MAIN, PACK, ASKED)
    first_h, other_h = 1.0 / 39.3, (0.8 - 9.0 / 39.3) / 46.9
    assert p50(both) == pytest.approx(p50(one) * (first_h + other_h) / (0.9 * first_h), rel=0.02)
    to_empty = both.hours_to_empty.p50
    assert to_empty is not None
    assert p50(both) < to_empty < 2.0 * p50(one)


def test_what_a_second_pump_too_small_has_behind_it_does_not_count() -> None:
    """10.5 L/min, 32 in a wet season, into 20 L/min: it lifts beside the first one, and floods alone."""
    small = replace(BACKUP, rated_flow_l_per_min=20.0)
    found, one = size(house(PACK, PACK, small), ASKED), single(MAIN, PACK, ASKED)
    assert found.pumps[1].can_keep_up.answer is Answer.NO
    assert p50(found) == pytest.approx(p50(one), rel=1e-6)
    unstated = size(house(PACK, PACK, replace(BACKUP, rated_flow_l_per_min=None)), ASKED)
    assert unstated.can_keep_up.answer is Answer.UNPROVEN
    assert "pump backup on pack right" in unstated.can_keep_up.why


def test_where_the_water_needs_both_the_pit_is_dry_as_long_as_both_last() -> None:
    """Duty 0.44 is 1.32 in a wet season, too much for either; with both it is 0.79, and not shown in a storm."""
    hard = Question(cycles_per_hour=60.0, run_s=26.4)
    found = size(house(), hard)
    assert found.can_keep_up.answer is Answer.UNPROVEN
    lasts = [one.hours.p50 for one in found.pumps if one.hours is not None and one.hours.p50 is not None]
    assert p50(found) == pytest.approx(min(lasts), rel=0.02)


def test_other_loads_draw_on_the_pack_that_they_hang_on() -> None:
    """60 W more on the second pack empty it before it is needed: then only the first one counts."""
    freezer = Load("freezer", 60.0)
    site = house(PACK, PACK, BACKUP, freezer)
    hung = (site.packs[0], replace(site.packs[1], loads=("freezer",)))
    on_first, on_second = size(site, ASKED), size(replace(site, packs=hung), ASKED)
    alone = p50(single(MAIN, PACK, ASKED))
    assert p50(on_second) == pytest.approx(alone / 0.9, rel=0.03)
    assert p50(on_first) < p50(size(house(), ASKED))
    assert p50(single(MAIN, PACK, ASKED, freezer)) < p50(on_first)


def test_hours_asked_for_are_held_against_both() -> None:
    lasting = p50(size(house(), ASKED))
    enough = size(house(), replace(ASKED, for_hours=0.5 * lasting))
    short = size(house(), replace(ASKED, for_hours=1.5 * lasting))
    assert enough.can_last is not None
    assert short.can_last is not None
    assert short.need is not None
    assert (enough.can_last.answer, short.can_last.answer) == (Answer.YES, Answer.NO)
    more = short.need.capacity_wh / 2048.0
    grown = replace(PACK, capacity_wh=1024.0 * more * 1.02)
    again = size(house(grown, grown), replace(ASKED, for_hours=1.5 * lasting))
    assert again.can_last is not None
    assert again.can_last.answer is Answer.YES


def test_what_helps_is_named_by_its_pack_and_never_takes_hours() -> None:
    sized = size(house(), ASKED, Change(extra_wh=1024.0))
    assert {str(one.what).partition(":")[0] for one in sized.helps} == {"left", "right"}
    assert all(one.gained_h is None or one.gained_h >= 0.0 for one in sized.helps)
    assert [str(one.name) for one in sized.what_ifs] == [
        "left: an expansion battery of 1,024 Wh", "right: an expansion battery of 1,024 Wh",
    ]  # fmt: skip
    assert all(one.gained_h is not None and one.gained_h > 0.0 for one in sized.what_ifs)
    assert [one["pack"] for one in document(sized)["pumps"]] == ["left", "right"]
    assert "Never join the outputs of two packs" in " ".join(sized.cautions)
    assert "baterías" in told(sized, words("es"))


CHARGED = replace(PACK, charge_w=200.0)


def test_a_generator_at_one_pack_leaves_the_other_idling() -> None:
    """By hand, as above: the first pump's pack gives 39.3 W and the other one idles at 9 W, which then gives 46.9 W.

    In 2 h 0.9 x 200 x 2 = 360 Wh go in. Behind the first pump they last as long as so much of its usable energy, and
    the 2 h themselves are added; of all these the other pack's idling takes 9/46.9. Behind the second pump the same
    energy lasts 39.3/46.9 times as long, and nothing idles.
    """
    found, one = size(house(CHARGED, CHARGED), ASKED, Change(generator_h=2.0)), single(MAIN, PACK, ASKED)
    left, right = (one.gained_h for one in found.what_ifs)
    lasts = 360.0 / usable_wh(one) * p50(one)
    assert left == pytest.approx((2.0 + lasts) * (1.0 - 9.0 / 46.9), rel=0.05)
    assert right == pytest.approx(2.0 + lasts * 39.3 / 46.9, rel=0.05)


@pytest.mark.parametrize("capacity_wh", [2048.0, 100_000.0])
def test_a_generator_adds_nothing_where_the_other_pack_ends_first(capacity_wh: float) -> None:
    """The water needs both pumps; the first one's pack lasts longer, or beyond all that is foreseen."""
    hard = Question(cycles_per_hour=60.0, run_s=26.4)
    found = size(house(replace(CHARGED, capacity_wh=capacity_wh), CHARGED), hard, Change(generator_h=2.0))
    left, right = found.what_ifs
    assert left.hours.p50 == pytest.approx(p50(found), rel=0.01)
    assert right.gained_h is not None
    assert right.gained_h > 2.0
    gained = {str(one.what).partition(":")[0]: one.gained_h for one in found.helps if "generator" in one.what}
    assert gained["left"] == pytest.approx(0.0, abs=0.01)
    assert gained["right"] is not None
    assert gained["right"] > 0.5


def test_what_is_put_in_is_bounded_by_the_room_at_the_floor() -> None:
    """In: 30 % of 1024 Wh at the start, 10 % kept, so that 20 % last the hours without a generator. Out: 0.9 x 200 W x
    3 h go in whole, and of 0.9 x 200 W x 10 h no more than the 90 % between floor and full, 4.5 times as much."""
    site = replace(house(), pumps=(), packs=(), pack=CHARGED, arrangement=None)
    for generator_h in (3.0, 10.0):
        found = size(site, replace(ASKED, charge_percent=30.0), Change(generator_h=generator_h))
        lasts = min(0.9 * 200.0 * generator_h / usable_wh(found), 4.5) * p50(found)
        assert found.what_ifs[0].gained_h == pytest.approx(generator_h + lasts, rel=0.03)


def test_another_voltage_is_held_against_its_own_pack() -> None:
    other = replace(BACKUP, rated_voltage_v=230.0)
    assert size(house(PACK, replace(PACK, output_voltage_v=230.0), other), ASKED).can_run.answer is Answer.YES
    with pytest.raises(UsageError, match="230"):
        size(house(PACK, PACK, other), ASKED)


def test_another_pack_is_compared_in_place_of_the_first_ones() -> None:
    found = size(house(), ASKED, packs=[("big", replace(PACK, capacity_wh=4096.0)), ("weak", Pack(1024.0, 300.0))])
    this, big, weak = found.packs
    assert this.hours == found.hours_remaining
    assert (big.can_run.answer, weak.can_run.answer) == (Answer.YES, Answer.NO)
    assert big.hours.p50 is not None
    assert big.hours.p50 > p50(found)


@pytest.mark.parametrize("place", [0, 1])
def test_more_in_a_pack_is_never_worse(place: int) -> None:
    packs = [PACK, PACK]
    lasted = 0.0
    for capacity_wh in (200.0, 700.0, 1024.0, 4000.0):
        packs[place] = replace(PACK, capacity_wh=capacity_wh)
        found = p50(size(house(packs[0], packs[1]), ASKED))
        assert found >= lasted
        lasted = found


def test_other_loads_alone_last_as_long_as_the_pack_that_ends_first() -> None:
    site = house(PACK, PACK, BACKUP, Load("router", 12.0), Load("freezer", 60.0))
    apart = replace(site, packs=(site.packs[0], replace(site.packs[1], loads=("freezer",))))
    alone = size(apart, Question(pump=False))
    one = size(replace(house(), pumps=(), pack=PACK, packs=(), arrangement=None, loads=(Load("freezer", 60.0),)),
               Question(pump=False))  # fmt: skip
    assert p50(alone) == pytest.approx(p50(one), rel=0.02)
