"""Discharge tests: a rehearsal on the pack, to measure instead of assume."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from forecaster.domain.helps import Help


class EndReason(StrEnum):
    """Why a discharge test ended."""

    BY_HAND = "by_hand"
    CHARGE = "charge"
    TIME = "time"
    FLOOR = "floor"
    MAINS_RETURN = "mains_return"


@dataclass(frozen=True, slots=True)
class DischargeResult:
    """What a discharge test measured.

    hours_full_to_reserve : tuple[float, float, float] — p10, p50, p90 extrapolated from full to the reserve floor [h]
    draw_wh_per_h : tuple[float, float, float] — p10, p50, p90 of the drain from the battery [Wh/h]
    capacity_wh : tuple[float, float, float] | None — p10, p50, p90; None where no energy was measured
    capacity_of_nominal : float | None — p50 capacity over nameplate, 0..
    drift_p_value : float | None — chance of cycles drifting this much by accident; small: they drifted
    rained : bool | None — whether rain was measured during it
    sizing_h : float | None — what the sizing arithmetic said
    verdict : str — one line first, then reasons
    helps : tuple[Help, ...] — what would help, from what was measured
    codes : tuple — verdict, reasons, cautions and what would help in order, as `forecaster.texts.catalogue.coded` keeps
        them, so that they can be said in another language; empty in results of an older build
    belief_mean, belief_covariance : tuple[float, ...] | None — the joint belief over the pack that the test left, in
        the unknowns of forecaster.pack.chargeline, covariance row by row: for an engine that did not read the test
    plate_mean, plate_covariance : the same of the nameplate that it began with; None in results of an older build
    """

    used_percent: float
    duration_h: float
    draw_wh_per_h: tuple[float, float, float]
    hours_full_to_reserve: tuple[float, float, float]
    cycles: int
    cycles_per_hour: float | None
    run_s: float | None
    drift_p_value: float | None
    rained: bool | None
    capacity_wh: tuple[float, float, float] | None
    capacity_of_nominal: float | None
    idle_w: tuple[float, float, float] | None
    inverter_efficiency: tuple[float, float, float] | None
    sizing_h: float | None
    started_pump: bool | None
    sleeps_on_low_load: bool | None
    power_pinned: bool
    verdict: str
    reasons: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    codes: tuple[Any, ...] = ()
    belief_mean: tuple[float, ...] | None = None
    belief_covariance: tuple[float, ...] | None = None
    helps: tuple[Help, ...] = ()
    plate_mean: tuple[float, ...] | None = None
    plate_covariance: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True)
class DischargeTest:
    """One discharge test, running or done.

    until_percent : float | None — finish at this charge; never below the reserve floor
    until_ms : int | None — finish at this time
    pulled_ms : int | None — when somebody said "I am pulling the plug now"; before that a test mutes nothing
    pulled_duty : float | None — share of time that the pump ran then, 0..1
    """

    id: str
    site: str
    started_ms: int
    started_by: str
    until_percent: float | None = None
    until_ms: int | None = None
    finished_ms: int | None = None
    end: EndReason | None = None
    result: DischargeResult | None = None
    pulled_ms: int | None = None
    pulled_duty: float | None = None
