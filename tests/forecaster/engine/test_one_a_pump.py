"""Two pumps, each on a pack of its own: one lifts after the other, and what one pack holds never helps the other pump.

The truth is the simulated house. What is asked of the sizes is common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from forecaster.domain.forecast import Forecast, PackRole, PumpRole
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Arrangement, Driven, Load, NamedPack, NamedPump, Pack, Site
from forecaster.engine.core import Engine
from forecaster.engine.document import document, from_document
from forecaster.engine.one_a_pump import Handover, PackSide
from forecaster.engine.reserve import ahead_grid_s, first_passage
from forecaster.pack.bank import taken_together
from forecaster.pack.draws import PackDraws
from forecaster.twin.bank import BankTruth
from forecaster.twin.live import LiveSite, larkspur_site
from forecaster.twin.pair import PairTruth
from tests.forecaster.engine.by_hand import MAIN, PLATE, TRUE, ToldEngine
from tests.forecaster.engine.outages_ahead import FAIL_H, house_with, median_errors, reserve_s

APART = Arrangement.ONE_A_PUMP


# -- one pump after the other, by hand: 40 W of the first one at the plug, no losses, inverters that idle at 5 W each


def passage_h(first_wh: float, second_wh: float, share: float = 1.25, flow: float = 0.6) -> tuple[float, float]:
    """When both packs are empty, and when the pit floods before that [h]."""
    one, grid = np.ones(1), ahead_grid_s()
    pack = PackDraws(
        capacity_wh=1000.0 * one, efficiency=one, idle_w=10.0 * one, loads_w=0.0 * one, to_reserve_wh=one,
        to_empty_wh=(first_wh + second_wh) * one, to_full_wh=one, bow=one, skew=one,
    )  # fmt: skip
    sides = PackSide(1.0, 0.5, 0.0), PackSide(0.0, 0.5, 0.0)
    handover = Handover(sides, (first_wh * one, second_wh * one), 480.0, share, flow)
    found = handover.ahead((40.0 * grid / 3600.0)[None, :], pack, grid)
    return float(first_passage(found.drain_wh, pack.to_empty_wh, grid)[0]), float(found.floods_h[0])


def test_the_second_lifts_from_what_its_pack_has_left_then() -> None:
    """500 Wh at 45 W are 11.11 h; 500 less 11.11 x 5 Wh at 1.25 x 40 + 5 W are 8.08 h more."""
    hours, floods = passage_h(500.0, 500.0)
    assert hours == pytest.approx(11.11 + 8.08, abs=0.02)
    assert floods == math.inf


def test_a_second_pump_too_small_for_the_water_adds_nothing() -> None:
    """It keeps up with 0.05 x 480 = 24 W of the first pump's work, and 40 W come."""
    assert passage_h(500.0, 500.0, flow=0.05)[1] == pytest.approx(11.11, abs=0.02)


def test_a_pack_that_idles_itself_empty_does_not_end_the_first_pump() -> None:
    """30 Wh at 5 W are gone after 6 h; the first pump goes on to 11.11 h, told to a step of the times ahead, 0.4 h."""
    assert passage_h(500.0, 30.0)[0] == pytest.approx(11.11, abs=0.4)


# -- a steady house, by hand


def by_hand(left_wh: float = 1000.0, right_wh: float = 1000.0) -> Site:
    house = larkspur_site()
    kept = {c.quantity: c for c in house.channels}
    power, charge = kept[Quantity.PUMP_POWER], kept[Quantity.PACK_CHARGE]
    packs = (NamedPack("left", Pack(left_wh), "main"), NamedPack("right", Pack(right_wh), "backup"))
    each = [replace(charge, of=one.id) for one in packs]
    return replace(
        house,
        pump=MAIN,
        pumps=(NamedPump("main", MAIN), NamedPump("backup", PLATE, Driven.PACK, 0.10)),
        pack=taken_together(packs),
        packs=packs,
        arrangement=APART,
        channels=(power, replace(power, of="backup"), kept[Quantity.MAINS_PRESENT], *each),
    )


class Hand(ToldEngine):
    """An engine that is told every five seconds of a house whose pit fills every three minutes."""

    def minutes(
        self, count: int, *, mains: bool, first_s: int = 0, second_s: int = 0, left: float = 100.0,
        right: float = 100.0, quiet: str = "",
    ) -> Forecast:  # fmt: skip
        """first_s, second_s : how long each pump runs in every cycle [s]; quiet : a pump of which nothing is heard"""
        for _ in range(count * 12):
            self.now_s += 5
            place = self.now_s % 180
            self.tell(Quantity.PUMP_POWER, 480.0 if place < first_s else 0.0)
            if quiet != "backup":
                self.tell(Quantity.PUMP_POWER, 400.0 if place < second_s else 0.0, "backup")
            if self.now_s % 30 == 0:
                self.tell(Quantity.MAINS_PRESENT, float(mains))
                self.tell(Quantity.PACK_CHARGE, left, "left")
                self.tell(Quantity.PACK_CHARGE, right, "right")
        return self.engine.forecast(self.now_ms)


def pack_roles(forecast: Forecast) -> list[PackRole]:
    return [pack.role for pack in forecast.packs]


def p50(forecast: Forecast) -> float:
    assert forecast.hours_remaining.p50 is not None
    return forecast.hours_remaining.p50


def test_packs_are_told_with_their_pumps() -> None:
    found = Hand(Engine(by_hand())).minutes(180, mains=True, first_s=10)
    assert pack_roles(found) == [PackRole.READY, PackRole.READY]
    assert [pack.pump for pack in found.packs] == ["main", "backup"]
    assert document(from_document(document(found)))["packs"] == document(found)["packs"]


def test_the_hours_are_more_than_of_one_pack_and_less_than_of_their_sum_on_the_first_pump() -> None:
    """The second one needs a quarter more energy for the same water."""
    both = p50(Hand(Engine(by_hand())).minutes(180, mains=True, first_s=10))
    small = p50(Hand(Engine(by_hand(right_wh=30.0))).minutes(180, mains=True, first_s=10))
    assert 1.5 * small < both < 2.0 * small


def test_a_pump_that_fails_strands_its_pack() -> None:
    hand = Hand(Engine(by_hand()))
    hand.minutes(180, mains=True, first_s=10)
    before = hand.minutes(30, mains=False, first_s=10)
    assert pack_roles(before) == [PackRole.CARRYING, PackRole.WAITING]
    after = hand.minutes(30, mains=False, second_s=15)
    assert pack_roles(after) == [PackRole.STRANDED, PackRole.CARRYING]
    assert after.packs[0].usable_wh == 0.0
    assert before.usable_wh is not None
    assert after.usable_wh == pytest.approx(0.5 * before.usable_wh, rel=0.05)
    assert [str(reason) for reason in after.degraded if "pack" in reason] == [
        "pack left not counted: its pump does not lift or is not heard"
    ]
    back = hand.minutes(10, mains=False, first_s=10)
    assert pack_roles(back) == [PackRole.CARRYING, PackRole.WAITING]


def test_a_pack_that_gives_nothing_to_a_load_that_never_rests_is_off() -> None:
    """A router of 12 W hangs on the first pack, and nothing that never rests on the second one."""
    site = by_hand()
    charge = next(c for c in site.channels if c.quantity is Quantity.PACK_CHARGE)
    outputs = [replace(charge, quantity=Quantity.PACK_OUTPUT_POWER, of=one.id) for one in site.packs]
    hand = Hand(Engine(replace(site, loads=(Load("router", 12.0),), channels=(*site.channels, *outputs))))
    hand.minutes(180, mains=True, first_s=10)
    for left_w, role in ((12.0, PackRole.CARRYING), (0.0, PackRole.OFF), (12.0, PackRole.CARRYING)):
        for _ in range(6):
            hand.tell(Quantity.PACK_OUTPUT_POWER, left_w, "left")
            hand.tell(Quantity.PACK_OUTPUT_POWER, 0.0, "right")
            found = hand.minutes(1, mains=False, first_s=10)
        assert pack_roles(found) == [role, PackRole.WAITING]


def test_the_pack_of_a_pump_that_is_not_heard_does_not_count() -> None:
    hand = Hand(Engine(by_hand()))
    before = hand.minutes(180, mains=True, first_s=10)
    after = hand.minutes(60, mains=True, first_s=10, quiet="backup")
    assert pack_roles(after) == [PackRole.READY, PackRole.STRANDED]
    assert p50(after) < 0.65 * p50(before)


def test_once_the_first_pack_is_empty_one_run_of_the_second_pump_tells() -> None:
    """Elsewhere two runs do, for one may be somebody who tries it."""
    hand = Hand(Engine(by_hand()))
    hand.minutes(180, mains=True, first_s=10)
    hand.minutes(30, mains=False, first_s=10, left=2.0)
    assert pack_roles(hand.minutes(1, mains=False, left=0.0)) == [PackRole.EMPTY, PackRole.WAITING]
    found = hand.minutes(3, mains=False, second_s=15, left=0.0)
    assert [pump.role for pump in found.pumps] == [PumpRole.MISSING, PumpRole.LIFTS]
    assert pack_roles(found) == [PackRole.EMPTY, PackRole.CARRYING]
    status = hand.engine.status(hand.now_ms)
    assert status.overdue is not None
    assert status.overdue < 0.9


def test_a_saved_state_goes_on_as_if_it_had_never_stopped() -> None:
    one, other = Hand(Engine(by_hand())), Hand(Engine(by_hand()))
    for hand in (one, other):
        hand.minutes(120, mains=True, first_s=10)
        hand.minutes(30, mains=False, first_s=10, left=40.0)
        hand.minutes(9, mains=False, second_s=15, left=0.0)
    other.engine = Engine.restore(other.engine.site, other.engine.snapshot())
    ends = [hand.minutes(15, mains=False, second_s=15, left=0.0, right=97.0) for hand in (one, other)]
    assert ends[0] == ends[1]


# -- against the simulated house

FAILS_S = (FAIL_H + 1.0) * 3600.0
HALVES = {"left": 0.5, "right": 0.5}
CASES = {
    "both": (PairTruth(TRUE, PLATE), BankTruth(HALVES, APART)),
    "the first pump fails": (PairTruth(TRUE, PLATE, first_fails_s=FAILS_S), BankTruth(HALVES, APART)),
    "its pack trips": (PairTruth(TRUE, PLATE), BankTruth(HALVES, APART, ("left", FAILS_S))),
}


def end_s(live: LiveSite, case: str) -> float:
    """When the reserve is really reached [s]: of both packs, or where one is left, of that."""
    if case == "both":
        return reserve_s(live)
    right = live._plan.parts["right"]
    energy, floor = right.house.energy, right.truth.pack.energy_at_percent(10.0)
    return float(energy.times_s[(energy.times_s >= FAILS_S) & (energy.left_wh <= floor)][0])


@pytest.fixture(scope="module")
def of_one() -> float:
    live = house_with()
    found = median_errors(live, live.site, reserve_s(live))
    return sum(found) / len(found)


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES)
def test_two_packs_of_two_pumps_are_forecast_as_well_as_one(case: str, of_one: float) -> None:
    pair, bank = CASES[case]
    live = house_with(bank=bank, pair=pair)
    pumps = (NamedPump("main", MAIN), live.site.pumps[1])
    found = median_errors(live, replace(live.site, pump=MAIN, pumps=pumps), end_s(live, case))
    assert len(found) >= 5
    assert sum(found) / len(found) <= of_one + 0.08
