"""A site file in which each of two pumps has a pack of its own: read, written again, and each mistake in one line."""

from __future__ import annotations

import pytest

from forecaster.domain.site import Arrangement
from forecaster.pack.bank import loads_of, pump_packs
from tests.collector.config.site_texts import site_of, slip_refused, written_again

FILE = """
id = "larkspur"
name = "Larkspur Lane cellar"
timezone = "America/Chicago"
pack_arrangement = "one_a_pump"

[[pumps]]
id = "main"
rated_voltage_v = 115
rated_current_a = 5.2

[[pumps]]
id = "backup"
rated_voltage_v = 230
rated_power_w = 400
starts_above_m = 0.1

[pit]
diameter_m = 0.46
drawdown_m = 0.18
freeboard_m = 0.30

[[packs]]
id = "left"
capacity_wh = 1000
output_voltage_v = 120

[[packs]]
id = "right"
capacity_wh = 3000
output_voltage_v = 230

[[loads]]
name = "router"
watts = 12

[[channels]]
quantity = "pump_power"
topic = "cellar/plug/power"
of = "main"

[[channels]]
quantity = "pump_power"
topic = "cellar/upper/power"
of = "backup"

[[channels]]
quantity = "pack_charge"
topic = "cellar/left/charge"
of = "left"

[[channels]]
quantity = "pack_charge"
topic = "cellar/right/charge"
of = "right"
"""
RIGHT = 'id = "right"\n'
SECOND_PUMP = FILE[FILE.rindex("[[pumps]]") : FILE.index("[pit]")]
BY_WATER = '[[pumps]]\nid = "backup"\ndriven_by = "water_pressure"\nrated_flow_l_per_min = 60\nstarts_above_m = 0.1\n\n'
THIRD = '[[packs]]\nid = "shelf"\ncapacity_wh = 500\n\n[[loads]]'


def test_packs_and_pumps_pair_in_their_order() -> None:
    """Packs of two voltages are taken: each is held against its own pump."""
    site = site_of(FILE)
    assert site.arrangement is Arrangement.ONE_A_PUMP
    assert [(one.id, one.pump) for one in site.packs] == [("left", "main"), ("right", "backup")]
    assert [pack.capacity_wh for pack in pump_packs(site)] == [1000.0, 3000.0]
    assert [[load.name for load in loads_of(site, place)] for place in (0, 1)] == [["router"], []]
    written_again(site)


@pytest.mark.parametrize("slip", [("left", "backup"), ("right", "main")])
def test_one_name_is_enough_and_the_order_follows_the_pumps(slip: tuple[str, str]) -> None:
    pack, pump = slip
    site = site_of(FILE.replace(f'id = "{pack}"\n', f'id = "{pack}"\npump = "{pump}"\nloads = ["router"]\n'))
    assert [(one.id, one.pump) for one in site.packs] == [("right", "main"), ("left", "backup")]
    place = ("main", "backup").index(pump)
    assert [load.name for load in loads_of(site, place)] == ["router"]
    assert not loads_of(site, 1 - place)
    written_again(site)


WRONG = {
    "one pump": (
        (FILE[FILE.index("[[pumps]]") : FILE.index("[pit]")], "[pump]\nrated_voltage_v = 115\nrated_current_a = 5\n\n"),
        "pack_arrangement", "list both pumps in [[pumps]]",
    ),
    "a pump that needs none": ((SECOND_PUMP, BY_WATER), "pack_arrangement", "pump backup is driven by water pressure"),
    "three packs": (("[[loads]]", THIRD), "pack_arrangement", "there are 3 packs for 2 pumps"),
    "a pump that is not there": ((RIGHT, f'{RIGHT}pump = "bakcup"\n'), "packs[1].pump", "did you mean 'backup'"),
    "a load that is not there": ((RIGHT, f'{RIGHT}loads = ["ruoter"]\n'), "packs[1].loads", "did you mean 'router'"),
    "a load twice": ((RIGHT, f'{RIGHT}loads = ["router", "router"]\n'), "packs[1].loads", "name it once"),
    "packs of two voltages that share": (('"one_a_pump"', '"parallel"'), "packs[1].output_voltage_v", "alike"),
    "another chemistry": ((RIGHT, f'{RIGHT}chemistry = "agm"\n'), "packs[1].chemistry", "leave the others out"),
    "a charge that is missing": ((FILE[FILE.rindex("[[channels]]") :], ""), "channels", 'with of = "right"'),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_what_does_not_pair_is_refused_with_one_line(name: str) -> None:
    slip_refused(FILE, WRONG[name])


def test_both_packs_of_one_pump_are_refused() -> None:
    text = FILE.replace('id = "left"\n', 'id = "left"\npump = "main"\n', 1)
    slip_refused(text, ((RIGHT, f'{RIGHT}pump = "main"\n'), "packs[1].pump", "leave pump out"))


@pytest.mark.parametrize("key", ['pump = "main"', 'loads = ["router"]'])
def test_what_hangs_on_a_pack_means_nothing_where_all_packs_feed_all(key: str) -> None:
    text = FILE.replace('"one_a_pump"', '"parallel"').replace("output_voltage_v = 230", "output_voltage_v = 120")
    name = key.split(" ")[0]
    slip_refused(text, ((RIGHT, f"{RIGHT}{key}\n"), f"packs[1].{name}", 'pack_arrangement = "one_a_pump"'))
