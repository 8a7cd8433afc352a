"""A pack that seems to hold far more or far less than its nameplate: the gauge may be wrong.

The counted energy over the nameplate's gives the share of charge that should be used; the gauge shows another one.
Loads that nobody measures are counted by the list as well as by the fit: the fit would rather have them gone than
contradict the gauge.
Where capacity, losses and idle together cannot explain the two, a share of the draws is computed from the nameplate,
using the gauge only at the start, and the others from the slope of the gauge alone: one of the two is wrong, so the
fit, which is a compromise between them, is wrong in either case. A gauge that shows less used is more likely wrong. One
that shows more used keeps the greater weight, because packs age and the earlier end is the safer one, until it shows an
empty pack that goes on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.maths.noise import normals, uniforms
from forecaster.maths.ranks import median
from forecaster.pack.chargeline import BOW, COST, SHARED, SKEW, UNHEARD_SPREAD
from forecaster.pack.draws import Discharge, PackDraws
from forecaster.pack.slope import SANE, by_slope, fallen_percent
from forecaster.pack.stray import stray_between

DOUBTED_FROM, STEEPNESS = 2.6, 0.4
"""Deviations between gauge and nameplate at which the two are believed alike, and how fast that turns (common practice,
no source). With losses as well known as they mostly are, they are a capacity of 1.2 times the nameplate. It turns
slowly: gauges are wrong more often than a normal distribution of honest packs strays so far."""

_MOST, _LEAST = 0.92, 0.02
_LEAST_GONE, _LEAST_USED = 0.05, 0.15
"""The gauge always keeps some weight, since an expansion battery may have been added; a smaller weight of the nameplate
than the least counts as none; until the gauge shows so much of the charge gone, or the nameplate so much of it used,
nothing can be said. A gauge that stands still never shows it gone."""

_SHOWN_STEPS, _STRAYS = 0.45, 1.1
"""Standard deviation of the charge for a shown one: in steps, by its place within one and the rounding that nobody
tells; and in strays of a usual gauge over what it has shown to fall, at the root mean square of the prior's scales."""

_MOST_DRAWS = 0.85
"""So large a share of the draws at most, so that the 10-90 % range still reaches to where the gauge puts the end."""

AGED_FROM, _AGED_STEEPNESS, _MOST_AGED = 1.7, 0.35, 0.35
"""The same of a gauge that shows more used than the nameplate does, by as many deviations the other way."""

_FAR_FROM, _FAR_STEEPNESS, _MOST_FAR = 0.15, 0.015, 0.25
_FAR_UP_TO, _FAR_FADES = 0.26, 0.06
"""Logs by which a gauge falls faster than the nameplate lets expect, and the share of draws that is then the
nameplate's however little is known of the losses. An honest pack seldom strays by a sixth where its energy is counted;
beyond three tenths an unlisted load or another capacity is likelier again (common practice, no source)."""

_HEARD_FROM, _HEARD_ENOUGH = 0.1, 0.35
"""Shares of the used energy that the plug must have counted for that: losses alone contradict no gauge."""

_MOST_BY_LIST = 0.35
"""As many draws at most follow the nameplate and the list of loads where the fit explains by smaller loads that the
gauge shows little gone: a list is wrong as often as a gauge (common practice, no source)."""

_FALLS_SPREAD = 0.45
"""How much too fast gauges fall, as standard deviation of the log (common practice, no source). One that falls twice as
fast as the nameplate lets expect is rare; a pack of half its nameplate, an owner who wrote twice the capacity, a load
that nobody listed, a plug that reads too little are not, and the gauge is right in all of them."""

_STANDS_STEPS = 4.0
"""A charge that has not changed while its slope let expect so many steps has stopped (common practice, no source)."""

_LEAST_SEEN = 0.01
"""A gauge counts as having shown at least this share of the charge gone, though it has risen."""

_EMPTY_PERCENT, _GOES_ON = 1.0, 0.02
"""A pack that has given so large a share of its nameplate since the gauge showed it empty was not empty."""


def costlier(of: tuple[Array, Array], log_shift: float, log_spread: float) -> tuple[Array, Array]:
    """Mean (6,) and covariance (6, 6) where the plug's energies are too low by about exp(log_shift ± log_spread)."""
    mean, covariance = of[0].copy(), of[1].copy()
    mean[COST] += log_shift
    covariance[COST, COST] += log_spread**2
    return mean, covariance


def nameplate_weight(deviations: float) -> float:
    """Weight, 0..0.92, of the nameplate where the gauge is above it by a number of standard deviations."""
    return _weight((deviations - DOUBTED_FROM) / STEEPNESS, _MOST)


def unaged_weight(deviations: float) -> float:
    """Weight, 0..0.35, of the nameplate where the gauge is below it by a number of standard deviations."""
    return _weight((deviations - AGED_FROM) / _AGED_STEEPNESS, _MOST_AGED)


def _weight(over: float, most: float) -> float:
    weight = most / (1.0 + math.exp(-min(max(over, -50.0), 50.0)))
    return weight if weight >= _LEAST else 0.0


@dataclass(frozen=True, slots=True)
class _Against:
    """What speaks against the fit of gauge and nameplate, shares 0..1.

    plate : of all draws, those that are computed from the nameplate
    fit : of the others, those that are taken from the slope of the gauge alone
    said : how much the gauge is doubted, as the forecast says it
    """

    plate: float
    fit: float
    said: float


def _far(apart: float, heard: float) -> float:
    """Weight, 0..0.25, of the nameplate where the gauge falls faster by a log of -apart, whatever the deviations."""
    weight = _weight((-apart - _FAR_FROM) / _FAR_STEEPNESS, _MOST_FAR)
    beyond = max(-apart - _FAR_UP_TO, 0.0) / _FAR_FADES
    counted = (heard - _HEARD_FROM) / (_HEARD_ENOUGH - _HEARD_FROM)
    return weight * math.exp(-0.5 * beyond**2) * min(max(counted, 0.0), 1.0)


def _against(deviations: float, apart: float, heard: float = 0.0) -> _Against:
    """What speaks against the fit where the gauge is above the nameplate by a number of standard deviations.

    apart : float — log of the energy used over what the gauge lets expect, by the nameplate
    heard : float — share of that energy that the pump's plug has counted

    A charge that falls over three times as far as all that is measured lets expect tells of something that draws and is
    not: a plug that is stuck at nothing. The fit books it as losses, so it stays; what is not measured may also end.
    """
    if deviations > 0.0:
        weight = min(nameplate_weight(deviations), _MOST_DRAWS)
        return _Against(weight, weight / _MOST_DRAWS, weight)
    weight = unaged_weight(-deviations)
    if apart < -SANE:
        return _Against(weight, 0.0, weight)
    rare, far = math.exp(-0.5 * (apart / _FALLS_SPREAD) ** 2), _far(apart, heard)
    fit = min(nameplate_weight(-deviations), _MOST_DRAWS) / _MOST_DRAWS
    return _Against(max(rare * weight, far), fit, max(weight, far * _MOST_AGED / _MOST_FAR))


def _goes_on(now: Discharge, used: Array, at_empty: Array, capacity: Array) -> bool:
    """Whether the pack goes on though its gauge has shown it empty.

    used, at_empty, capacity : (draws,) — energy drawn by now and by when the gauge reached its lowest [Wh]
    """
    if now.charge_percent is None or now.charge_percent > _EMPTY_PERCENT:
        return False
    return median((used - at_empty) / capacity) > _GOES_ON


def _by_gauge_alone(
    drawn: PackDraws,
    now: Discharge,
    losses: tuple[Array, Array],
    share: float,
    floor_percent: float,
    seed: int,
    step_percent: float,
) -> PackDraws:
    """The draws of the gauge, a share of them, 0..1, taken from its slope, and with losses that are not fitted.

    losses : DC Wh for one AC Wh and the inverter's own draw [W] by the nameplate, (draws,) each
    """
    count = drawn.capacity_wh.size
    if fallen_percent(now) <= 0.0:
        return drawn
    alone = uniforms(seed + 9, count, 1)[:, 0] < share
    cost = np.where(alone, losses[0], 1.0 / drawn.efficiency)
    idle = np.where(alone, losses[1], drawn.idle_w)
    changed_wh, read_wh, now_wh = (
        counts.used_wh(cost, idle, drawn.loads_w, drawn.unheard)
        for counts in (now.when_changed(), now.when_read(), now)
    )
    fell_wh = changed_wh if _stands(now, median(changed_wh), median(read_wh), step_percent) else read_wh
    used_wh, usual = (fell_wh, now_wh), np.ones(count)
    return by_slope(drawn, now, alone & (fell_wh > 0.0), used_wh, usual, floor_percent, seed, (cost, idle))


def _stands(now: Discharge, changed_wh: float, read_wh: float, step_percent: float) -> bool:
    """Whether the charge stands for longer than its slope lets expect: a gauge that was right has stopped.

    changed_wh, read_wh : float — energy drawn by the last change of the charge, and by when it was last read [Wh]
    """
    return (read_wh - changed_wh) * fallen_percent(now) > _STANDS_STEPS * step_percent * changed_wh


def _gone(drawn: PackDraws, now: Discharge, plate: tuple[Array, Array], z: Array, step_percent: float) -> Array:
    """The share of the charge that the gauge shows gone (draws,), by how far a gauge may be off that is right.

    z : (draws, 6) — standard normal numbers of the unknowns

    The fitted charge is no measure of it where the gauge has fallen: it gives way to the nameplate already. The bow is
    taken to first order.
    """
    shown, fallen = now.charge_percent, fallen_percent(now)
    if shown is None or fallen <= 0.0:
        return np.full(len(z), max(median(drawn.start - drawn.to_empty_wh / drawn.capacity_wh), _LEAST_SEEN))
    off = math.hypot(_SHOWN_STEPS * step_percent, _STRAYS * stray_between(fallen))
    bow = math.sqrt(plate[1][BOW, BOW]) * z[:, BOW]
    share = np.minimum((shown + off * z[:, SKEW]) / 100.0, 1.0)
    return np.maximum(drawn.start - share + share * (1.0 - share) * bow, _LEAST_SEEN)


@dataclass(frozen=True, slots=True)
class _OfPlate:
    """The pack as the nameplate and the owner's list have it, arrays of shape (draws,).

    capacity, cost, idle, loads_w, unheard : as in `Unknowns`, the listed loads in watts
    lump_wh : how far the runs that were caught by chance are off in sum, out of the battery [Wh]
    """

    capacity: Array
    cost: Array
    idle: Array
    loads_w: Array
    unheard: Array
    lump_wh: Array

    def used_wh(self, now: Discharge, loads_w: Array) -> Array:
        """Energy out of the battery so far, with loads of so many watts (draws,) where they are not measured [Wh]."""
        return now.used_wh(self.cost, self.idle, loads_w, self.unheard) + self.lump_wh


def _of_plate(now: Discharge, plate: tuple[Array, Array], z: Array, factor: float, listed_w: float) -> _OfPlate:
    mean, spread = plate[0][:BOW, None], np.sqrt(np.diagonal(plate[1]))[:BOW, None]
    capacity, cost, idle, loads = np.exp(mean + spread * z[:, :BOW].T)
    return _OfPlate(
        capacity=capacity * factor,
        cost=cost,
        idle=idle,
        loads_w=loads * listed_w,
        unheard=np.exp(UNHEARD_SPREAD * z[:, SHARED]),
        lump_wh=cost * math.sqrt(now.evidence.lump_wh * (now.plug_wh + now.evidence.lump_wh)) * z[:, SHARED + 1],
    )


def _apart(used: Array, capacity: Array, gone: Array) -> tuple[float, float]:
    """How far the gauge is above the nameplate: standard deviations, and the log of what is used over what is gone.

    used, capacity, gone : (draws,) — energy used and capacity by the nameplate [Wh], share that the gauge shows gone
    """
    apart = np.log(np.maximum(used, 0.01 * capacity) / capacity / gone)
    middle = float(apart.sum()) / apart.size
    wide = math.sqrt(max(float(apart @ apart) / apart.size - middle**2, 0.0))
    return middle / max(wide, 1e-3), middle


def _by_list(fitted: _Against, listed: _Against) -> _Against:
    """What speaks against the fit by its own loads, and no less than by the listed ones up to a share."""
    plate = max(fitted.plate, min(listed.plate, _MOST_BY_LIST))
    return replace(fitted, plate=plate, said=max(fitted.said, plate))


def doubted(
    drawn: PackDraws,
    now: Discharge,
    plate: tuple[Array, Array],
    factor: float,
    floor_percent: float,
    seed: int,
    step_percent: float = 1.0,
    listed_w: float = 0.0,
) -> PackDraws:
    """The draws, with a share of them computed from the nameplate.

    plate : mean (6,) and covariance (6, 6) of the belief before anything was measured
    factor : float — capacity at the present temperature over that at 25 °C
    step_percent : float — of the reported charge [%]
    listed_w : float — mean power of the listed loads [W]

    Runs that are caught by chance count as lumps, and the error of their sum grows like the root of their number.
    Where the nameplate's energy would already be used up, the pack has refuted it: those draws keep the gauge.
    """
    count = drawn.capacity_wh.size
    z = normals(seed + 5, count, SHARED + 2)
    gone = _gone(drawn, now, plate, z, step_percent)
    own = _of_plate(now, plate, z, factor, listed_w)
    loads_w = drawn.loads_w
    used = own.used_wh(now, loads_w)
    still = now.charge_percent is not None and median(used / own.capacity) > _LEAST_USED
    if median(gone) < _LEAST_GONE and not still:
        return drawn
    heard = median(own.cost) * now.plug_wh / max(median(used), 1e-6)
    against = _against(*_apart(used, own.capacity, gone), heard)
    if listed_w > 0.0 and now.loads_wh is None:
        listed = _apart(own.used_wh(now, own.loads_w), own.capacity, gone)
        if listed[0] > 0.0:
            against, loads_w = _by_list(against, _against(*listed, heard)), own.loads_w
            used = own.used_wh(now, loads_w)
    if _goes_on(now, used, own.used_wh(now.when_changed(), loads_w), own.capacity):
        against = _Against(_MOST_DRAWS, 1.0, _MOST_DRAWS)
    charge = drawn.start - used / own.capacity
    taken = (uniforms(seed + 6, count, 1)[:, 0] < against.plate) & (charge > 0.0)
    if against.fit > 0.0:
        drawn = _by_gauge_alone(drawn, now, (own.cost, own.idle), against.fit, floor_percent, seed, step_percent)
    if not taken.any():
        return drawn
    above = np.maximum(charge - floor_percent / 100.0, 0.0)
    return replace(
        drawn,
        capacity_wh=np.where(taken, own.capacity, drawn.capacity_wh),
        efficiency=np.where(taken, 1.0 / own.cost, drawn.efficiency),
        idle_w=np.where(taken, own.idle, drawn.idle_w),
        loads_w=np.where(taken, loads_w, drawn.loads_w),
        to_reserve_wh=np.where(taken, above * own.capacity, drawn.to_reserve_wh),
        to_empty_wh=np.where(taken, charge * own.capacity, drawn.to_empty_wh),
        to_full_wh=np.where(taken, (1.0 - charge) * own.capacity, drawn.to_full_wh),
        doubt=against.said,
    )
