"""What would carry the pump for longer: worked by hand, and against a forecast made anew without the load."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forecaster.domain.forecast import DrawParts, Forecast, PackNow, PackRole, Quantiles
from forecaster.domain.runs import Supply
from forecaster.domain.site import Arrangement, Driven, Load, NamedPack, NamedPump, Pack, Site
from forecaster.domain.times import HOUR_MS
from forecaster.engine.relief import relief_of
from forecaster.pack.bank import taken_together
from tests.api.pagesample import forecast, site

FREEZER = Load("freezer", 60.0, runs_per_hour=2.0, run_s=600.0)  # on a third of the time: 20 W
ROUTER = Load("router", 10.0, essential=True)


def house(*loads: Load, charge_w: float | None = 300.0) -> Site:
    return replace(site(), loads=loads, pack=Pack(capacity_wh=1000.0, reserve_percent=10.0, charge_w=charge_w))


def on_pack(middle_h: float = 10.0) -> Forecast:
    """500 Wh above the floor that last 10 h: 50 W, of which the loads take 30."""
    hours = Quantiles(6.0, 7.0, 8.5, middle_h, 12.0, 14.0, 15.0)
    return replace(forecast(), usable_wh=500.0, hours_remaining=hours, draw=DrawParts(15.0, 30.0, 5.0, 0.0))


def test_energy_for_twelve_hours_by_the_early_end() -> None:
    """By hand: 12 h at 50 W are 600 Wh; at 0.88 of 300 W a generator runs 600 / 264 = 2.27 h."""
    made = on_pack()
    found = relief_of(house(), made)
    assert found is not None
    assert found.energy_wh == pytest.approx(600.0)
    assert found.added_h == pytest.approx(12.0)
    assert found.by_ms == made.issued_at_ms + 7 * HOUR_MS
    assert found.generator_h == pytest.approx(600.0 / 264.0)


def test_no_more_than_the_pack_holds_is_asked_for() -> None:
    """By hand: 200 W for 12 h are 2400 Wh; the pack takes 900 above its floor, which last 4.5 h."""
    found = relief_of(house(), on_pack(middle_h=2.5))
    assert found is not None
    assert (found.energy_wh, found.added_h) == pytest.approx((900.0, 4.5))


def test_a_load_that_may_go_adds_its_hours_and_an_essential_one_is_never_named() -> None:
    """By hand: the freezer has 20 of the 30 W listed, so 20 W of the 30 drawn; 500 / 30 - 500 / 50 = 6.67 h."""
    found = relief_of(house(FREEZER, ROUTER), on_pack())
    assert found is not None
    assert [(shed.load, round(shed.gain_h, 2)) for shed in found.sheds] == [("freezer", 6.67)]


@pytest.mark.parametrize(
    ("roles", "pack", "loads"),
    [
        ((PackRole.CARRYING, PackRole.WAITING), "left", ["freezer", "fan"]),
        ((PackRole.STRANDED, PackRole.CARRYING), "right", ["fan"]),
        ((PackRole.EMPTY, PackRole.WAITING), "right", ["fan"]),
        ((PackRole.CARRYING, PackRole.SILENT), "left", ["freezer"]),
    ],
)
def test_of_packs_for_two_pumps_the_one_behind_the_pump_that_lifts_is_charged(
    roles: tuple[PackRole, PackRole], pack: str, loads: list[str]
) -> None:
    """By hand: 12 h at 50 W are 600 Wh, of which 450 have room in 500 Wh; at 0.88 of 150 W that is 3.4 h. A load of a
    pack that does not count adds nothing."""
    own = Pack(500.0, reserve_percent=10.0, charge_w=150.0)
    packs = (NamedPack("left", own, "main"), NamedPack("right", own, "backup", ("fan",)))
    pumps = (NamedPump("main", site().pump), NamedPump("backup", site().pump, Driven.PACK, 0.1))
    apart = replace(
        house(FREEZER, Load("fan", 20.0)), pumps=pumps, packs=packs, pack=taken_together(packs),
        arrangement=Arrangement.ONE_A_PUMP,
    )  # fmt: skip
    now = tuple(PackNow(one.id, role, 50.0, 200.0, one.pump) for one, role in zip(packs, roles, strict=True))
    found = relief_of(apart, replace(on_pack(), packs=now))
    assert found is not None
    assert found.pack == pack
    assert found.energy_wh == pytest.approx(450.0)
    assert found.generator_h == pytest.approx(450.0 / (0.88 * 150.0))
    assert sorted(shed.load for shed in found.sheds) == sorted(loads)


def test_what_is_not_known_is_not_reckoned() -> None:
    made = on_pack()
    assert relief_of(house(), replace(made, supply=Supply.MAINS)) is None
    assert relief_of(house(), replace(made, hours_remaining=Quantiles())) is None
    assert relief_of(house(), replace(made, usable_wh=None, draw_w=None)) is None
    without = relief_of(house(charge_w=None), made)
    assert without is not None
    assert without.generator_h is None
