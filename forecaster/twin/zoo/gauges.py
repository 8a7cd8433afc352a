"""The charge gauge as a measuring instrument: its shape, scale, drift, sag under load, and noise."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.twin.parameters import PackTruth
from forecaster.twin.zoo.scenes import Scene


class GaugeShape(StrEnum):
    """How the shown charge bows away from the share of energy left."""

    BOWED = "bowed"  # the twin's own two-parameter bow
    KINKED = "kinked"  # straight pieces between three knots
    PLATEAUS = "plateaus"  # stands, then falls, several times on the way down
    HARMONIC = "harmonic"  # a smooth third harmonic


@dataclass(frozen=True, slots=True)
class Gauge:
    """What a pack shows of its charge. Percent are points of the charge.

    shape : GaugeShape — how what it shows bows away from the share of energy left
    bend : float — size of that bow [%]; not used by BOWED
    depth : float — fall from full that it shows, over the true fall: 0.6 shows 52 % at a true 20 %
    drift_percent_per_h : float — how fast it goes wrong after the outage began, upwards where positive [%/h]
    sag_percent : float — how much less it shows while the pump runs on the pack [%]
    relax_s : float — time constant with which that dies away after a run [s]
    noise_percent : float — standard deviation of each report [%]
    defines_floor : bool — whether the reserve floor is reached when this gauge shows it at rest; False: when the pack's
        true charge is there
    """

    shape: GaugeShape = GaugeShape.BOWED
    bend: float = 0.0
    depth: float = 1.0
    drift_percent_per_h: float = 0.0
    sag_percent: float = 0.0
    relax_s: float = 60.0
    noise_percent: float = 0.0
    defines_floor: bool = False

    def rested(self, scene: Scene, times_s: Array) -> Array:
        """What it shows without steps, noise and sag [%], 0..100, in the shape of `times_s`.

        times_s : array — times of the house [s]
        """
        shown = _shape(self, scene.parameters.pack, scene.house.energy.at(times_s))
        shown = 100.0 - self.depth * (100.0 - shown)
        hours = np.clip((times_s - scene.transfer_s) / 3600.0, 0.0, None)
        return np.asarray(np.clip(shown + self.drift_percent_per_h * hours, 0.0, 100.0))

    def shown(self, scene: Scene, times_s: Array, rng: np.random.Generator) -> Array:
        """What it shows before steps [%], 0..100, in the shape of `times_s`.

        times_s : array — times of the house [s]
        """
        value = self.rested(scene, times_s)
        if self.sag_percent:
            on_pack = scene.house.on_pack(times_s)
            value = value - self.sag_percent * on_pack * _load_memory(scene, times_s, self.relax_s)
        if self.noise_percent:
            value = value + self.noise_percent * rng.normal(size=times_s.size)
        return np.asarray(np.clip(value, 0.0, 100.0))


RIGHT = Gauge()
"""A gauge that has the pack's own bow and no fault."""


def _shape(gauge: Gauge, pack: PackTruth, energy_wh: Array) -> Array:
    """The charge [%] that a shape shows at energies left [Wh], elementwise: 100 at full, 0 at empty."""
    x = np.clip(energy_wh / pack.capacity_wh, 0.0, 1.0)
    match gauge.shape:
        case GaugeShape.BOWED:
            return pack.reported_percent(energy_wh)
        case GaugeShape.KINKED:
            off = np.interp(x, [0.0, 0.22, 0.55, 0.8, 1.0], [0.0, gauge.bend, -gauge.bend, 0.5 * gauge.bend, 0.0])
        case GaugeShape.PLATEAUS:
            count = 100.0 / (2.0 * np.pi * gauge.bend)  # then the steepest bend just stands still
            off = -gauge.bend * np.sin(2.0 * np.pi * np.round(count) * x)
        case GaugeShape.HARMONIC:
            off = gauge.bend * np.sin(3.0 * np.pi * x)
    return np.asarray(100.0 * x + off)


def _load_memory(scene: Scene, times_s: Array, relax_s: float) -> Array:
    """1 while the pump runs, then dying away exponentially with time constant relax_s; 0 before the first run."""
    runs = scene.house.runs
    started = np.searchsorted(runs.start_s, times_s, side="right") - 1
    stop_s = np.where(started >= 0, runs.stop_s[np.maximum(started, 0)], -np.inf)
    return np.asarray(np.exp(-np.clip(times_s - stop_s, 0.0, None) / relax_s))


def floor_s(scene: Scene, gauge: Gauge) -> float:
    """When, in the outage, the reserve floor is reached, by the gauge or by the pack's own charge [s of the house].

    At the latest when no energy is left.
    """
    energy = scene.house.energy
    times_s = energy.times_s[energy.times_s >= scene.transfer_s]
    pack = scene.parameters.pack
    shown = gauge.rested(scene, times_s) if gauge.defines_floor else pack.reported_percent(energy.at(times_s))
    below = np.flatnonzero(shown <= pack.reserve_percent)
    if not below.size:
        return scene.empty_s
    k = max(int(below[0]), 1)
    share = (shown[k - 1] - pack.reserve_percent) / max(shown[k - 1] - shown[k], 1e-12)
    return min(float(times_s[k - 1] + share * (times_s[k] - times_s[k - 1])), scene.empty_s)
