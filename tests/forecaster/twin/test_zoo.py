"""The zoo's houses and faults: their truth by hand, and that each fault does what its row says."""

from __future__ import annotations

import numpy as np
import pytest

from api.offline.zoo import BY_NAME, rows_named
from collector.decode.payload import Decoder
from forecaster.domain.errors import UsageError
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.twin.zoo.cases import ZooCase, zoo_case
from forecaster.twin.zoo.faults import Occasion
from forecaster.twin.zoo.feeds import Feed, feed_of
from forecaster.twin.zoo.gauges import Gauge, GaugeShape, floor_s
from forecaster.twin.zoo.rows import ROWS
from forecaster.twin.zoo.scenes import EXACT, LONGEST_H, SHORTEST_H, scene

HOUR_MS = 3_600_000


def values(readings: list[Reading], quantity: Quantity) -> list[float]:
    return [r.value for r in readings if r.quantity is quantity]


def case(name: str, seed: int = 0) -> ZooCase:
    return zoo_case(BY_NAME[name], seed)


def test_small_house_is_the_one_reckoned_by_hand() -> None:
    """500 W for 10 s, 30 times an hour, through 0.88, and 10 W of idle: 57.3 W; 512 Wh from full to 10 % in 8.04 h."""
    draw_w = 500.0 * 10.0 * 30.0 / 3600.0 / 0.88 + 10.0
    assert pytest.approx(draw_w) == EXACT.draw_w
    control = case("control")
    assert (control.reserve_ms - control.transfer_ms) / HOUR_MS == pytest.approx(0.9 * 512.0 / draw_w, rel=0.01)
    assert control.site.pack.capacity_wh == 512.0


@pytest.mark.parametrize("seed", range(1, 8))
def test_houses_vary_and_last_as_long_as_asked(seed: int) -> None:
    drawn = scene(seed)
    life_h = (floor_s(drawn, Gauge()) - drawn.transfer_s) / 3600.0
    assert 0.5 * SHORTEST_H < life_h < 1.6 * LONGEST_H
    assert drawn.parameters.pump.running_w != scene(0).parameters.pump.running_w


def test_the_same_row_and_seed_are_the_same_case() -> None:
    assert case("line-late", 2).readings == case("line-late", 2).readings


def test_row_names_stand_once_and_rows_differ_from_the_control() -> None:
    assert len({row.name for row in ROWS}) == len(ROWS)
    told = [(row.sensors, row.gauge, row.faults, row.hidden_load_w, row.owner, row.change) for row in ROWS]
    assert all(told.count(one) == 1 for one in told)


@pytest.mark.parametrize("name", [row.name for row in ROWS if row.faults])
def test_every_fault_changes_what_is_heard(name: str) -> None:
    row = BY_NAME[name]
    house = scene(0)
    rng = np.random.default_rng(5)
    feeds = [feed_of(sensor, row.gauge, house, rng) for sensor in row.sensors]
    for fault in row.faults:
        hit = fault.strike(Occasion(feeds, house, rng))
        assert not _alike(feeds, hit)
        feeds = hit


def _alike(one: list[Feed], other: list[Feed]) -> bool:
    return len(one) == len(other) and all(
        a.wording is b.wording
        and all(
            np.array_equal(getattr(a.track, name), getattr(b.track, name))
            for name in ("time_ms", "value", "arrived_ms")
        )
        for a, b in zip(one, other, strict=True)
    )


def test_plug_that_dies_tells_nothing_afterwards() -> None:
    made = case("plug-dies")
    last = max(r.time_ms for r in made.readings if r.quantity is Quantity.PUMP_POWER)
    assert made.transfer_ms + 45_000 < last < made.transfer_ms + 60_000


def test_plug_that_buffers_tells_all_of_it_later() -> None:
    made, control = case("plug-buffers"), case("control")
    assert sorted(r.time_ms for r in made.readings) == sorted(r.time_ms for r in control.readings)
    away = [r for r in made.readings if r.quantity is Quantity.PUMP_POWER and r.arrived_ms - r.time_ms > 60_000]
    assert len(away) == pytest.approx(1080, abs=10)
    assert {(r.arrived_ms - made.transfer_ms) // 60_000 for r in away} == {181}


def test_gauges_show_what_their_rows_say() -> None:
    house = scene(0)
    energy = house.house.energy
    at_s = np.array([np.interp(-0.2 * 512.0, -energy.left_wh[-4000:], energy.times_s[-4000:])])
    assert Gauge(depth=0.5875).rested(house, at_s)[0] == pytest.approx(53.0, abs=0.1)
    times_s = np.linspace(house.transfer_s, house.empty_s, 4001)
    true = Gauge().rested(house, times_s)
    for shape, bend in ((GaugeShape.KINKED, 2.2), (GaugeShape.HARMONIC, 1.5), (GaugeShape.PLATEAUS, 2.6)):
        off = Gauge(shape, bend).rested(house, times_s) - true
        assert np.abs(off).max() == pytest.approx(bend, rel=0.06)
        assert np.diff(Gauge(shape, bend).rested(house, times_s)).max() < 0.05
    sagging = Gauge(sag_percent=2.5).shown(house, times_s, np.random.default_rng(1))
    assert (true - sagging).max() == pytest.approx(2.5, abs=0.01)
    assert (true - sagging).min() < 1.0


def decoded(name: str) -> list[Reading]:
    made = case(name)
    decoder = Decoder([made.site])
    return [r for m in made.messages for r in decoder.decode(m.topic, m.payload, m.at_ms).readings]


@pytest.mark.slow
def test_wiring_mistakes_reach_the_decoder_as_they_are() -> None:
    assert set(values(decoded("text-with-unit"), Quantity.PUMP_POWER)) == {0.0}
    assert max(values(decoded("charge-as-share"), Quantity.PACK_CHARGE)) == 1.0
    assert max(values(decoded("power-in-kw"), Quantity.PUMP_POWER)) == pytest.approx(0.5, rel=0.05)
    two = case("two-packs-full")
    assert len({message.topic for message in two.messages if message.topic.endswith("pack_charge")}) == 2
    assert sum(channel.quantity is Quantity.PACK_CHARGE for channel in two.site.channels) == 1


def test_clocks_are_off_by_what_their_row_says() -> None:
    made = case("clocks-5h-behind")
    assert {round((r.arrived_ms - r.time_ms) / HOUR_MS, 2) for r in made.readings} == {5.0}


def test_owner_corrects_the_capacity_an_hour_into_the_outage() -> None:
    made = case("owner-corrects-capacity")
    assert made.changed_site is not None
    assert (made.site.pack.capacity_wh, made.changed_site.pack.capacity_wh) == (1024.0, 512.0)
    assert made.change_ms == made.transfer_ms + HOUR_MS


def test_rows_are_named_one_by_one_by_group_or_all() -> None:
    assert rows_named("all") == ROWS
    assert next(row.name for row in rows_named("family, control-no-flag")) == "control-no-flag"
    with pytest.raises(UsageError, match="no row 'nonsense'"):
        rows_named("control,nonsense")
