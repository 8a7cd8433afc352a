"""One case of the zoo: the devices of a row in the house of a seed, what they tell, and what is true."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Site
from forecaster.twin.messages import SimulatedMessage
from forecaster.twin.sensors import Sensor
from forecaster.twin.zoo.faults import Occasion
from forecaster.twin.zoo.feeds import Feed, feed_of, messages_of, readings_of
from forecaster.twin.zoo.gauges import floor_s
from forecaster.twin.zoo.rows import ZooRow
from forecaster.twin.zoo.scenes import Scene, is_exact, scene

ORIGINS_PERCENT: tuple[float, ...] = (90.0, 75.0, 60.0, 45.0, 30.0, 22.0, 15.0)
"""Energy left, as a share of the capacity, at which a forecast is asked for [%]."""

CLOSEST_TO_FLOOR_S = 300.0
"""No forecast is asked for later than this long before the reserve floor [s]."""


@dataclass(frozen=True)
class ZooCase:
    """The devices of a row in the house of a seed. Times are UTC milliseconds.

    site : Site — the site file as the owner wrote it, mistakes included
    feeds : tuple[Feed, ...] — what each device reports, faults included
    transfer_ms, reserve_ms, empty_ms : int — when the mains truly failed, the reserve floor was reached, and no energy
        was left
    changed_site, change_ms : Site | None, int | None — what the site file becomes, and when; None: it stays
    """

    row: ZooRow
    seed: int
    scene: Scene
    site: Site
    feeds: tuple[Feed, ...]
    transfer_ms: int
    reserve_ms: int
    empty_ms: int
    changed_site: Site | None = None
    change_ms: int | None = None

    @property
    def plain(self) -> bool:
        """Whether a correct decoder would turn the messages into exactly `readings`, so that none need be decoded."""
        return all(feed.plain for feed in self.feeds)

    @cached_property
    def readings(self) -> list[Reading]:
        """What a correct decoder makes of the messages, in order of arrival. Errors: ValueError unless `plain`."""
        if not self.plain:
            raise ValueError(f"{self.row.name} speaks through its messages; decode them")
        return readings_of(self.site.id, self.feeds)

    @cached_property
    def messages(self) -> list[SimulatedMessage]:
        """The messages that the broker carries, in order of arrival."""
        return messages_of(self.feeds)

    def origins(self) -> list[tuple[float, int]]:
        """Moments at which a forecast is asked for: the energy left [%] and the time, UTC milliseconds, for each."""
        found = []
        energy = self.scene.house.energy
        keep = energy.times_s >= self.scene.transfer_s
        times_s, left_wh = energy.times_s[keep], energy.left_wh[keep]
        for percent in ORIGINS_PERCENT:
            below = np.flatnonzero(left_wh <= percent / 100.0 * self.scene.parameters.pack.capacity_wh)
            if not below.size:
                continue
            at_ms = self.scene.start_ms + round(1000.0 * float(times_s[int(below[0])]))
            if self.reserve_ms - at_ms >= 1000.0 * CLOSEST_TO_FLOOR_S:
                found.append((percent, at_ms))
        return found

    def first_sign_ms(self) -> int | None:
        """When the first charge arrived that is below the last one on mains, UTC milliseconds; None if never."""
        for feed in self.feeds:
            if feed.sensor.quantity is Quantity.PACK_CHARGE and feed.channel is not None:
                track = feed.track
                before = track.value[track.arrived_ms <= self.transfer_ms]
                low = (track.arrived_ms > self.transfer_ms) & (track.value < (before[-1] if before.size else 0.0))
                return int(track.arrived_ms[low].min()) if low.any() else None
        return None


def zoo_case(row: ZooRow, seed: int) -> ZooCase:
    """The case of a row and a seed; the same row and seed give the same case."""
    house = scene(seed, hidden_w=row.hidden_load_w)
    rng = np.random.default_rng([seed, 0x2001])
    feeds: Sequence[Feed] = [feed_of(_own(sensor, seed, rng), row.gauge, house, rng) for sensor in row.sensors]
    for fault in row.faults:
        feeds = fault.strike(Occasion(feeds, house, rng))
    channels = tuple(feed.channel for feed in feeds if feed.channel is not None)
    site = replace(house.site, channels=channels)
    if row.owner is not None:
        site = row.owner(site)
    ms = house.start_ms
    change = row.change
    return ZooCase(
        row=row,
        seed=seed,
        scene=house,
        site=site,
        feeds=tuple(feeds),
        transfer_ms=ms + round(1000.0 * house.transfer_s),
        reserve_ms=ms + round(1000.0 * floor_s(house, row.gauge)),
        empty_ms=ms + round(1000.0 * house.empty_s),
        changed_site=None if change is None else change.change(site),
        change_ms=None if change is None else ms + round(1000.0 * (house.transfer_s + change.after_s)),
    )


def _own(sensor: Sensor, seed: int, rng: np.random.Generator) -> Sensor:
    """The sensor as it is in the house of a seed: in the exact small house unchanged, else with a gain error of about
    1 %, or, for the charge, with values either cut or rounded."""
    gain, rounded = float(rng.normal(0.0, 0.01)), bool(rng.random() < 0.5)
    if is_exact(seed):
        return sensor
    if sensor.quantity is Quantity.PACK_CHARGE:
        return replace(sensor, round_down=rounded)
    return replace(sensor, gain=gain) if sensor.step > 0.0 else sensor
