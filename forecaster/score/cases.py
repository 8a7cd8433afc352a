"""Cases to score: outages with the readings that led up to them, simulated or from an owner's own log."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Outage
from forecaster.domain.site import Site
from forecaster.maths.arrays import Array
from forecaster.score import oracle
from forecaster.score.bound.bound import Bound, BoundSaid
from forecaster.score.metrics import Outcome
from forecaster.twin.episode import Episode

ORIGINS_PERCENT: tuple[float, ...] = (90.0, 75.0, 60.0, 50.0, 40.0, 30.0, 20.0)
"""Charges at which a forecast is asked of each outage [%]."""

HEADLINE_PERCENT: tuple[float, ...] = (90.0, 75.0, 50.0, 30.0)
"""Those of them over which the headline figures are taken [%]."""

CLOSEST_TO_END_H = 0.05
"""An origin nearer than this to the end tells nothing [h]."""


@dataclass(frozen=True, slots=True)
class Origin:
    """A moment at which a forecast is asked: the charge then [%], the time [UTC ms], and what came."""

    percent: float
    at_ms: int
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class Case:
    """One outage to score.

    group : str — sampling style, or the name of the log
    transfer_ms : int — when the pack took over [UTC ms]
    readings : Sequence[Reading] — in order of arrival
    reference : Callable[[int], Array] | None — the oracle's quantiles at an origin [UTC ms], where there is an oracle
    perfect_h : Callable[[int], float] | None — a constant rate on a perfectly known battery, where it is known [h]
    bound : Callable[[int], BoundSaid] | None — what could be known from the messages at an origin [UTC ms], where asked
        for; origins are asked in order
    """

    name: str
    group: str
    site: Site
    transfer_ms: int
    readings: Sequence[Reading]
    origins: tuple[Origin, ...]
    reference: Callable[[int], Array] | None = None
    perfect_h: Callable[[int], float] | None = None
    bound: Callable[[int], BoundSaid] | None = None


def from_episode(drawn: Episode, percents: Sequence[float] = ORIGINS_PERCENT, *, bound: int | None = None) -> Case:
    """The case of a simulated outage.

    percents : Sequence[float] — charges to ask at [%]; one that is never reached, lies at or below the reserve floor,
    or comes less than CLOSEST_TO_END_H before the end gives no origin
    """
    truth = drawn.truth
    origins = []
    for percent in percents:
        at_ms = drawn.at_charge_ms(percent)
        if at_ms is None or percent <= drawn.site.pack.reserve_percent:
            continue
        hours = (truth.end_ms - at_ms) / 3.6e6
        if hours > CLOSEST_TO_END_H:
            origins.append(Origin(percent, at_ms, Outcome(hours, truth.censored)))
    return Case(
        name=drawn.site.id,
        group=drawn.style.value,
        site=drawn.site,
        transfer_ms=truth.transfer_ms,
        readings=drawn.readings,
        origins=tuple(origins),
        reference=lambda at_ms: oracle.quantiles(drawn, at_ms),
        perfect_h=lambda at_ms: constant_rate_h(drawn, at_ms),
        bound=None if bound is None else Bound(drawn, bound).at,
    )


def constant_rate_h(drawn: Episode, at_ms: int, over_s: float = 7200.0) -> float:
    """Hours left on the true battery if the pump went on at its true mean rate of the last over_s seconds [h]."""
    at_s = (at_ms - drawn.start_ms) / 1000.0
    truth, house = drawn.parameters, drawn.house
    times = np.array([at_s - over_s, at_s])
    pumped = house.pump.integral_at_h(times)
    price = oracle.prices(truth)
    pump_w = float(pumped[1] - pumped[0]) * 3600.0 / over_s
    running_w = truth.pump.running_w * (1.0 + 0.1 * truth.pump.sag)
    draw_w = float(price.rest_w) + pump_w * float(price.dc_run_w) / running_w
    left_wh = float(house.energy.at(times)[1]) - truth.pack.energy_at_percent(truth.pack.reserve_percent)
    return left_wh / draw_w


def from_outage(
    site: Site, outage: Outage, readings: Sequence[Reading], percents: Sequence[float] = ORIGINS_PERCENT
) -> Case:
    """The case of an outage in an owner's log.

    It ends where the reported charge first shows the reserve floor; failing that it is right-censored by the mains'
    return, or by the end of the log. Origins are where the reported charge first fell to a percentage; with no
    charge reported, they are at a tenth, a quarter, half and seven tenths of the outage.
    """
    last_ms = outage.end_ms if outage.end_ms is not None else max(r.time_ms for r in readings)
    charge = [
        (r.time_ms, r.value)
        for r in readings
        if r.quantity is Quantity.PACK_CHARGE and outage.start_ms <= r.time_ms <= last_ms
    ]
    reached_ms = outage.reached_reserve_ms
    if reached_ms is None:
        reached_ms = next((at_ms for at_ms, value in charge if value <= site.pack.reserve_percent), None)
    end_ms = last_ms if reached_ms is None else reached_ms
    origins = tuple(
        Origin(percent, at_ms, Outcome((end_ms - at_ms) / 3.6e6, censored=reached_ms is None))
        for percent, at_ms in _moments(charge, outage.start_ms, end_ms, percents)
        if (end_ms - at_ms) / 3.6e6 > CLOSEST_TO_END_H
    )
    return Case(f"{site.id}:{outage.start_ms}", "log", site, outage.start_ms, readings, origins)


def _moments(
    charge: Sequence[tuple[int, float]], start_ms: int, end_ms: int, percents: Sequence[float]
) -> list[tuple[float, int]]:
    """Moments to ask at, as (charge [%], time [UTC ms])."""
    if not charge:
        length = end_ms - start_ms
        return [(100.0 * (1.0 - share), start_ms + round(share * length)) for share in (0.1, 0.25, 0.5, 0.7)]
    moments = []
    for percent in percents:
        first = next((at_ms for at_ms, value in charge if value <= percent), None)
        if first is not None and charge[0][1] > percent:
            moments.append((percent, first))
    return moments
