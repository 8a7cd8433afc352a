"""`[[packs]]` in a site file: read, written again, and refused with one line where they cannot be forecast together."""

from __future__ import annotations

import tomllib

import pytest

from collector.config.site_file import site_from
from forecaster.domain.errors import ConfigError
from forecaster.domain.site import Arrangement
from forecaster.pack.bank import taken_together
from tests.collector.config.site_texts import site_of, slip_refused, written_again

FILE = """
id = "larkspur"
name = "Larkspur Lane cellar"
timezone = "America/Chicago"
pack_arrangement = "parallel"

[pump]
rated_voltage_v = 115
rated_power_w = 480

[[packs]]
id = "left"
capacity_wh = 1000
continuous_w = 900
surge_w = 1800
reserve_percent = 10
idle_w = 9

[[packs]]
id = "right"
capacity_wh = 3000
continuous_w = 600
reserve_percent = 20
idle_w = 6

[[channels]]
quantity = "pump_power"
topic = "cellar/plug/power"

[[channels]]
quantity = "pack_charge"
topic = "cellar/left/charge"
of = "left"

[[channels]]
quantity = "pack_charge"
topic = "cellar/right/charge"
of = "right"
"""


def test_the_packs_are_taken_together() -> None:
    """By hand: 1000 + 3000 Wh; the reserve is 100 + 600 Wh of 4000, 17.5 %; 9 + 6 W; the weaker one must run the pump;
    a surge that one of them does not state is not stated."""
    site = site_of(FILE)
    assert [one.id for one in site.packs] == ["left", "right"]
    assert site.arrangement is Arrangement.PARALLEL
    whole = site.pack
    assert (whole.capacity_wh, whole.reserve_percent, whole.idle_w) == (4000.0, 17.5, 15.0)
    assert (whole.continuous_w, whole.surge_w) == (600.0, None)
    assert whole == taken_together(site.packs)


def test_a_written_file_gives_the_same_site() -> None:
    written_again(site_of(FILE))


WRONG = {
    "no arrangement": (('pack_arrangement = "parallel"', ""), "pack_arrangement", "write one of: parallel, in_turn"),
    "another arrangement": (('"parallel"', '"by_day"'), "pack_arrangement", "parallel, in_turn, one_a_pump"),
    "a pack a pump with one pump": (('"parallel"', '"one_a_pump"'), "pack_arrangement", "list both pumps"),
    "both kinds": (("[pump]", "[pack]\ncapacity_wh = 500\n\n[pump]"), "pack", "keep one of them"),
    "one name twice": (('id = "right"', 'id = "left"'), "packs[1].id", "own name"),
    "no name": (('id = "right"\n', ""), "packs[1].id", "missing"),
    "another chemistry": (
        ("continuous_w = 600", 'continuous_w = 600\nchemistry = "agm"'), "packs[1].chemistry", "leave the others out",
    ),
    "another voltage": (
        ("continuous_w = 600", "continuous_w = 600\noutput_voltage_v = 230"), "packs[1].output_voltage_v", "alike",
    ),
    "a pack that is not there": (('of = "right"', 'of = "rigth"'), "channels[2].of", "did you mean 'right'"),
    "a channel of no pack": (('of = "right"', ""), "channels[2].of", "does not say of which pack"),
    "a charge that is missing": (
        (FILE[FILE.rindex("[[channels]]") :], ""), "channels", 'add a [[channels]] of it with of = "right"',
    ),
    "the output of one only": (
        ('quantity = "pump_power"', 'quantity = "pack_output_power"\nof = "left"'), "channels", "of pack right",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_what_cannot_be_forecast_is_refused_with_one_line(name: str) -> None:
    slip_refused(FILE, WRONG[name])


def test_one_pack_is_written_as_one() -> None:
    text = FILE[: FILE.index('[[packs]]\nid = "right"')]
    with pytest.raises(ConfigError, match=r"packs: it lists one pack only; write it as \[pack\]"):
        site_from(tomllib.loads(text), "larkspur.toml", measured=False)
    single = text.replace('[[packs]]\nid = "left"', "[pack]")
    with pytest.raises(ConfigError, match="pack_arrangement: there is one pack only"):
        site_from(tomllib.loads(single), "larkspur.toml", measured=False)
    bare = {key: v for key, v in tomllib.loads(single).items() if "pack" not in key}
    with pytest.raises(ConfigError, match=r"pack: it is missing; add a section \[pack\]"):
        site_from(bare, "larkspur.toml", measured=False)
