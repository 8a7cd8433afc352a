"""The charge that mains put back, worked by hand; 0.88 of the charger's power arrives (common practice, no source)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Site
from forecaster.engine import recharge
from forecaster.engine.accounts import Mark
from forecaster.engine.fold import Fold
from forecaster.pack.draws import PackDraws
from tests.forecaster.cellar import HOUR, START, site

LEFT_PERCENT = 40.0


def charging(charge_w: float | None) -> Site:
    """A pack of 1,000 Wh."""
    bare = site(Quantity.PUMP_POWER)
    return replace(bare, pack=replace(bare.pack, capacity_wh=1000.0, charge_w=charge_w))


def left(at: Site) -> Fold:
    """The mains came back at START with 40 % in the pack, and nothing has told the charge since."""
    fold = Fold.of(at)
    fold.left_percent, fold.left_ms = LEFT_PERCENT, START
    return fold


def pack_lacking(wh: float) -> PackDraws:
    one, none = np.ones(3), np.zeros(3)
    return PackDraws(one, one, one, none, one, one, np.full(3, wh), none, none)


def test_the_pack_fills_with_the_chargers_power() -> None:
    """250 W x 0.88 into 1,000 Wh is 22 % an hour: 62 % after an hour, full after three."""
    at = charging(250.0)
    fold = left(at)
    assert recharge.charging_percent_per_h(at, fold) == pytest.approx(22.0)
    told = [recharge.charge_now(at, fold, START + hours * HOUR, on_pack=False) for hours in (-1, 0, 1, 3)]
    assert told == pytest.approx([40.0, 40.0, 62.0, 100.0])


def test_where_nobody_tells_the_charger_five_hours_fill_it() -> None:
    at = charging(None)
    assert recharge.charge_now(at, left(at), START + 2 * HOUR, on_pack=False) == pytest.approx(80.0)


def test_a_reported_charge_is_believed_over_any_reckoning() -> None:
    at = charging(250.0)
    fold = left(at)
    fold.accounts.charge(Mark(START, 71.0, 0.0, 0, 0.0, 0.0))
    assert recharge.charge_now(at, fold, START + HOUR, on_pack=False) == 71.0


def test_nothing_is_reckoned_on_the_pack_or_before_any_discharge() -> None:
    at = charging(250.0)
    assert recharge.charge_now(at, left(at), START + HOUR, on_pack=True) is None
    assert recharge.charge_now(at, Fold.of(at), START + HOUR, on_pack=False) is None


def test_full_again_by_what_is_missing_and_by_what_is_seen() -> None:
    """440 Wh at 220 W are two hours; a charge that was seen to rise by 30 % an hour needs two for 60 %."""
    at = charging(250.0)
    assert recharge.full_at_ms(at, left(at), pack_lacking(440.0), LEFT_PERCENT, START) == START + 2 * HOUR
    rising = left(at)
    for minute, percent in ((0, 30.0), (20, 40.0)):
        rising.accounts.charge(Mark(START + minute * HOUR // 60, percent, 0.0, 0, 0.0, 0.0))
    now = START + HOUR // 3
    assert recharge.full_at_ms(at, rising, pack_lacking(440.0), 40.0, now) == now + 2 * HOUR


def test_a_pack_that_is_full_or_does_not_charge_has_no_time_to_be_full() -> None:
    at = charging(250.0)
    assert recharge.full_at_ms(at, left(at), pack_lacking(0.0), 100.0, START) is None
    assert recharge.full_at_ms(at, left(at), pack_lacking(440.0), None, START) is None
    falling = left(at)
    for minute, percent in ((0, 50.0), (20, 40.0)):
        falling.accounts.charge(Mark(START + minute * HOUR // 60, percent, 0.0, 0, 0.0, 0.0))
    assert recharge.full_at_ms(at, falling, pack_lacking(440.0), 40.0, START + HOUR // 3) is None
