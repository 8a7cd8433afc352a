"""Dry, usual and wet inflow: from a site's own record of runs, or as multiples of a described rhythm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecaster.domain.forecast import Quantiles
from forecaster.domain.records import RunTotals
from forecaster.domain.site import Pump
from forecaster.domain.times import HOUR_MS
from forecaster.pack.nameplate import running_w
from forecaster.sizing.question import InflowRecord
from forecaster.texts.catalogue import Said

DAY_H = 24

DRY_SHARE, WET_SHARE = 0.25, 3.0
"""Inflow in a dry and in a wet season as multiples of the described one. Common practice, no source."""

LEAST_RECORD_DAYS = 2.0
"""Least record that tells of seasons [days]."""


@dataclass(frozen=True, slots=True)
class Season:
    """Hours remaining if the inflow of one season stays as it is.

    name : str — the season, in words
    pump_mean_w : float — mean pump power at the plug [W]
    duty : float — share of time that the pump runs, 0..1
    hours : Quantiles — hours to the reserve floor [h]
    """

    name: str
    pump_mean_w: float
    duty: float
    hours: Quantiles


def record_of(hourly: Sequence[RunTotals], pump: Pump) -> InflowRecord | None:
    """What a pump has used by its own record, as mean power at the plug; None for less than LEAST_RECORD_DAYS.

    hourly : Sequence[RunTotals] — runs added up by the clock hour, in order, without the hours that have no run. An
        hour without a measured energy counts its running time at the nameplate's power.
    The first and the last hour are left out. Dry and usual are the 10 % and 50 % quantiles over all spans of 24 hours;
    the wettest day and hour are the greatest seen.
    """
    if not hourly:
        return None
    watts, first = running_w(pump), hourly[0].start_ms
    by_hour = np.zeros((hourly[-1].start_ms - first) // HOUR_MS + 1)
    for hour in hourly:
        energy = hour.energy_wh if hour.energy_wh is not None else watts * hour.total_s / 3600.0
        by_hour[(hour.start_ms - first) // HOUR_MS] += energy
    inner = by_hour[1:-1]  # the first and the last hour were watched in part
    days = inner.size / DAY_H
    if days < LEAST_RECORD_DAYS:
        return None
    rolling = np.convolve(inner, np.full(DAY_H, 1.0 / DAY_H), mode="valid")
    dry, usual = np.quantile(rolling, [0.1, 0.5])
    return InflowRecord(float(dry), float(usual), float(rolling.max()), float(inner.max()), days)


def assumed(usual_w: float, running: float) -> list[tuple[str, float]]:
    """Seasons by name with their mean pump power [W], as multiples of a described one.

    usual_w : float — mean pump power of the described rhythm [W]
    running : float — running power [W]; no mean is above it, because the pump cannot do more than run without pause
    """
    return [
        (Said("size.season.dry"), DRY_SHARE * usual_w),
        (Said("size.season.described"), min(usual_w, running)),
        (Said("size.season.wet"), min(WET_SHARE * usual_w, running)),
    ]


def recorded(record: InflowRecord, running: float) -> list[tuple[str, float]]:
    """Seasons by name with their mean pump power [W], from a site's own record.

    running : float — running power [W]; the wettest means are limited to it
    """
    return [
        (Said("size.season.dry_day"), record.dry_w),
        (Said("size.season.usual_day"), record.usual_w),
        (Said("size.season.wettest_day"), min(record.wettest_day_w, running)),
        (Said("size.season.wettest_hour"), min(record.wettest_hour_w, running)),
    ]
