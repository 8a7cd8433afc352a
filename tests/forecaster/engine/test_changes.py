"""Why the end moved: parts that add up, against a house simulated step by step in which one thing alone changes."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecaster.domain.forecast import ChargeAhead, DrawParts, Forecast, Quantiles
from forecaster.domain.runs import Supply
from forecaster.domain.times import HOUR_MS
from forecaster.engine.changes import EndShift, end_shift
from tests.api.pagesample import forecast
from tests.scenario import NOW_MS

RESERVE, WH_A_PERCENT = 10.0, 10.0
STEP_H = 1.0 / 60.0


@dataclass(frozen=True)
class House:
    """A pack that a receding inflow, steady loads and the inverter drain; integrated minute by minute."""

    usable_wh: float = 600.0
    pump_w: float = 40.0
    halving_h: float = 8.0
    loads_w: float = 15.0
    early: float = 0.8

    def pump_at(self, hours: float) -> float:
        return self.pump_w * math.exp2(-hours / self.halving_h)

    def later(self, hours: float) -> House:
        """The same house some hours on, as it goes by itself."""
        left, at = self.usable_wh, 0.0
        while at < hours - 1e-9:
            left -= (self.pump_at(at + STEP_H / 2) + self.loads_w + 9.0) * STEP_H
            at += STEP_H
        return replace(self, usable_wh=left, pump_w=self.pump_at(hours))

    def forecast(self, at_ms: int = NOW_MS, supply: Supply = Supply.PACK) -> Forecast:
        """What a forecaster that knows all of it would say."""
        left, at = self.usable_wh, 0.0
        path: list[ChargeAhead] = []
        hours = None
        while left > -RESERVE * WH_A_PERCENT and at < 100.0:
            if round(at * 60) % 60 == 0:
                percent = RESERVE + left / WH_A_PERCENT
                path.append(ChargeAhead(at_ms + round(at * HOUR_MS), percent - 3.0, percent, percent + 3.0))
            rate = self.pump_at(at + STEP_H / 2) + self.loads_w + 9.0
            if hours is None and left <= rate * STEP_H:
                hours = at + left / rate
            left -= rate * STEP_H
            at += STEP_H
        assert hours is not None
        early = hours * self.early
        return replace(
            forecast(supply=supply), issued_at_ms=at_ms, usable_wh=self.usable_wh, drain_path=tuple(path),
            draw=DrawParts(self.pump_w, self.loads_w, 9.0, 0.0), supply_since_ms=NOW_MS - HOUR_MS,
            hours_remaining=Quantiles(early, early, early, hours, hours * 1.2, hours * 1.3, hours * 1.4),
        )  # fmt: skip


def shift(then: House, now: House, hours: float = 2.0) -> EndShift:
    found = end_shift(then.forecast(), now.forecast(NOW_MS + round(hours * HOUR_MS)), RESERVE)
    assert found is not None
    return found


def simulated(then: House, now: House, hours: float) -> float:
    """How far the middle moved, by the simulation itself [h]."""
    first, second = then.forecast().hours_remaining.p50, now.forecast().hours_remaining.p50
    assert first is not None
    assert second is not None
    return second - (first - hours)


def test_what_goes_as_foreseen_moves_nothing() -> None:
    found = shift(House(), House().later(2.0))
    for part in (found.middle_h, found.inflow_h, found.charge_h, found.loads_h):
        assert part == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("hours", [0.25, 2.0, 6.0])
@pytest.mark.parametrize(
    ("part", "change"),
    [
        ("inflow_h", {"pump_w": 1.5}), ("inflow_h", {"pump_w": 0.6}),
        ("charge_h", {"usable_wh": 0.8}), ("charge_h", {"usable_wh": 1.15}),
        ("loads_h", {"loads_w": 2.5}), ("loads_h", {"loads_w": 0.2}),
    ],
)  # fmt: skip
def test_a_change_of_one_thing_is_told_as_that_one(part: str, change: dict[str, float], hours: float) -> None:
    """Against the simulation: the whole of the movement, within 5 %, is the changed part's; the rest next to none."""
    later = House().later(hours)
    changed = replace(later, **{name: getattr(later, name) * times for name, times in change.items()})
    found, moved = shift(House(), changed, hours), simulated(House(), changed, hours)
    assert abs(moved) > 0.5
    assert getattr(found, part) == pytest.approx(moved, rel=0.05, abs=0.05)
    others = [getattr(found, name) for name in ("inflow_h", "charge_h", "loads_h") if name != part]
    assert all(abs(other) <= 0.05 * abs(moved) + 0.05 for other in others)


def test_more_doubt_alone_moves_the_early_end_alone() -> None:
    found = shift(House(), replace(House().later(2.0), early=0.5))
    assert found.middle_h == pytest.approx(0.0, abs=0.05)
    assert found.doubt_h < -1.5
    assert found.early_h == pytest.approx(found.middle_h + found.doubt_h)


def test_the_fall_of_the_mains_by_itself_moves_nothing() -> None:
    """Held ready for so long on mains, then an hour on the pack: the end is where it was foreseen."""
    then = House().forecast(NOW_MS - 4 * HOUR_MS, Supply.MAINS)
    found = end_shift(then, House().later(1.0).forecast(), RESERVE)
    assert found is not None
    assert found.middle_h == pytest.approx(0.0, abs=0.05)


def test_what_cannot_be_compared_is_not() -> None:
    made = House().forecast()
    for then, now in (
        (made, replace(made, supply=Supply.MAINS)), (replace(made, hours_remaining=Quantiles()), made),
        (made, replace(made, draw=None)), (made, replace(made, draw=DrawParts(40.0, 15.0, 9.0, 30.0))),
        (made, House().forecast(NOW_MS + 60 * HOUR_MS)),
    ):  # fmt: skip
        assert end_shift(then, now, RESERVE) is None


@given(
    usable=st.floats(20.0, 900.0), pump=st.floats(0.0, 300.0), loads=st.floats(0.0, 200.0),
    hours=st.floats(0.0, 5.0), early=st.floats(0.1, 1.0), halving=st.floats(1.0, 100.0),
)  # fmt: skip
def test_the_parts_always_add_up_to_what_the_forecasts_say(
    usable: float, pump: float, loads: float, hours: float, early: float, halving: float
) -> None:
    then, other = House(), House(usable, pump, halving, loads, early)
    now = other.forecast(NOW_MS + round(hours * HOUR_MS))
    found = end_shift(then.forecast(), now, RESERVE)
    assert found is not None
    assert found.inflow_h + found.charge_h + found.loads_h == pytest.approx(found.middle_h, abs=1e-6)
    assert found.middle_h + found.doubt_h == pytest.approx(found.early_h, abs=1e-6)
    assert found.middle_h == pytest.approx(simulated(then, other, hours), abs=0.02)
