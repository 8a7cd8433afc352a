"""What must hold of every verdict, each part of it, with one pump or two and one pack or several.

More pack, less head, a thicker cord, fewer runs and whatever else is better never make a part worse; nonsense gives no
verdict.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from forecaster.domain.errors import UsageError
from forecaster.domain.site import Arrangement, Driven, Load, Motor, NamedPack, NamedPump, Pack, Pit, Pump, Site, Wave
from forecaster.pack.bank import taken_together
from forecaster.sizing.answer import size
from forecaster.sizing.cord import Cord
from forecaster.sizing.question import Question

ORDER = ("no", "unproven", "yes")
PUMP = Pump(
    rated_voltage_v=115.0, rated_current_a=(5.2, 5.2), rated_power_w=480.0, locked_rotor_current_a=20.0,
    static_head_m=3.0, maximum_head_m=8.0, rated_flow_l_per_min=150.0, rated_frequency_hz=60.0,
)  # fmt: skip
PACK = Pack(2048.0, surge_s=5.0, output_voltage_v=120.0, output_frequency_hz=60.0)


def parts(site: Site, question: Question) -> list[int]:
    found = size(site, question)
    each = [part for one in found.pumps for part in (one.can_run, one.can_start, one.can_keep_up)]
    return [ORDER.index(part.answer) for part in (*found.parts, *each)]


def banked(site: Site, *packs: Pack) -> Site:
    """Several packs in place of one."""
    named = tuple(NamedPack(f"p{index}", pack) for index, pack in enumerate(packs))
    return replace(site, pack=taken_together(named), packs=named, arrangement=Arrangement.PARALLEL)


def with_pack(site: Site, change: Callable[[Pack], Pack]) -> Site:
    """The site with its pack, or each of its packs, changed."""
    if site.packs:
        return banked(site, *(change(named.pack) for named in site.packs))
    return replace(site, pack=change(site.pack))


def with_pumps(site: Site, change: Callable[[Pump], Pump]) -> Site:
    """The site with its pump, or each of its electric pumps, changed."""
    pumps = tuple(replace(one, pump=change(one.pump)) if one.driven_by is Driven.PACK else one for one in site.pumps)
    return replace(site, pump=change(site.pump), pumps=pumps)


def stronger(pack: Pack) -> Pack:
    twice: dict[str, Any] = {key: 2.0 * getattr(pack, key) for key in ("capacity_wh", "continuous_w", "surge_w")}
    return replace(pack, **twice)


def lower(pump: Pump) -> Pump:
    return replace(pump, static_head_m=(pump.static_head_m or 0.0) / 2.0)


SECONDS = {
    "one pump": (),
    "a second one on the pack": (NamedPump("backup", replace(PUMP, rated_power_w=400.0, rated_flow_l_per_min=100.0),
                                           starts_above_m=0.1),),
    "a second one on water pressure": (NamedPump("backup", Pump(rated_flow_l_per_min=60.0), Driven.WATER_PRESSURE, 0.1,
                                                 2.0),),
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("second", SECONDS.values(), ids=SECONDS)
@pytest.mark.parametrize("count", [1, 2])
@settings(max_examples=3, deadline=None, phases=(Phase.generate,))
@given(
    st.floats(0.02, 0.9), st.floats(300, 5000), st.floats(500, 9000), st.sampled_from([18, 16, 14, 12]),
    st.floats(1, 60), st.floats(0.5, 7.5), st.sampled_from([None, *Wave]), st.sampled_from([None, *Motor]),
    st.sampled_from([-25.0, -15.0, 20.0, 50.0]),
)  # fmt: skip
def test_better_is_never_worse(
    second: tuple[NamedPump, ...], count: int, duty: float, continuous: float, surge: float, awg: int, length_m: float,
    head_m: float, wave: Wave | None, motor: Motor | None, cold_c: float,
) -> None:  # fmt: skip
    pack = replace(PACK, continuous_w=continuous, surge_w=continuous + surge, output_wave=wave)
    pump = replace(PUMP, static_head_m=head_m, motor=motor)
    pumps = (NamedPump("main", pump), *second) if second else ()
    site = Site(
        "s", "s", "UTC", pump, pack, Pit(0.166, 0.18, 0.3), loads=(Load("freezer", 100.0, 2, 600),), pumps=pumps
    )
    site = site if count == 1 else banked(site, pack, replace(pack, capacity_wh=1024.0))
    question = Question(120.0 * duty, 30.0, cord=Cord(awg, length_m), for_hours=12.0, temperature_c=cold_c)
    before = parts(site, question)
    for better, asked in (
        (with_pack(site, stronger), question),
        (with_pack(site, lambda one: replace(one, output_wave=Wave.SINE)), question),
        (with_pumps(site, lower), question),
        (with_pumps(site, lambda one: replace(one, motor=Motor.UNIVERSAL)), question),
        (site, replace(question, cord=Cord(awg - 2, length_m))),
        (site, replace(question, cord=None)),
        (site, replace(question, cycles_per_hour=60.0 * duty)),
        (site, replace(question, for_hours=6.0)),
        (site, replace(question, temperature_c=20.0)),
        (replace(site, loads=()), question),
    ):
        assert all(a >= b for a, b in zip(parts(better, asked), before, strict=True)), (better, asked)
    if site.packs:
        more = banked(site, *(named.pack for named in site.packs), pack)
        assert all(a >= b for a, b in zip(parts(more, question), before, strict=True))


TWO = Site("s", "s", "UTC", PUMP, replace(PACK, continuous_w=2000.0, surge_w=9000.0), Pit(0.166, 0.18, 0.3),
           pumps=(NamedPump("main", PUMP), NamedPump("backup", PUMP, starts_above_m=0.1)))  # fmt: skip


def second_is(**changed: Any) -> Site:
    return replace(TWO, pumps=(TWO.pumps[0], replace(TWO.pumps[1], **changed)))


@pytest.mark.parametrize(("says", "site"), [
    ("starts_above_m", second_is(starts_above_m=-0.1)),
    ("rated_power_w", second_is(pump=replace(PUMP, rated_power_w=-480.0))),
    ("static_head_m", second_is(pump=replace(PUMP, static_head_m=9.0))),
    ("rated_frequency_hz", second_is(pump=replace(PUMP, rated_frequency_hz=400.0))),
    ("rated_flow_l_per_min", second_is(pump=Pump(rated_flow_l_per_min=-60.0), driven_by=Driven.WATER_PRESSURE)),
    ("supply_l_per_l", second_is(pump=Pump(rated_flow_l_per_min=60.0), driven_by=Driven.WATER_PRESSURE,
                                 supply_l_per_l=-2.0)),
    ("capacity_wh", banked(TWO, TWO.pack, replace(TWO.pack, capacity_wh=-500.0))),
    ("write 2048 if kWh were meant", banked(TWO, TWO.pack, replace(TWO.pack, capacity_wh=2.048))),
    ("surge_w", banked(TWO, TWO.pack, replace(TWO.pack, surge_w=100.0))),
    ("output_frequency_hz", replace(TWO, pack=replace(TWO.pack, output_frequency_hz=6.0))),
])  # fmt: skip
def test_nonsense_of_the_second_pump_or_of_one_of_the_packs_gives_no_verdict(says: str, site: Site) -> None:
    with pytest.raises(UsageError) as told:
        size(site, Question(20.0, 10.0))
    assert says in str(told.value)
