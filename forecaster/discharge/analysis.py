"""From a rehearsal's evidence to its result: drain, hours, cycles, capacity, observations, and a verdict."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from forecaster.discharge.comparison import compare
from forecaster.discharge.drift import Drift, drift_of
from forecaster.discharge.evidence import DischargeEvidence
from forecaster.discharge.helps import helps
from forecaster.discharge.hours import (
    CALMER,
    Triple,
    at_least_as_wide,
    believed,
    carried,
    from_full,
    pump_rate,
    triple,
)
from forecaster.discharge.observed import FirstRun, first_run, sleeps_on_low_load
from forecaster.domain.discharge import DischargeResult
from forecaster.texts.catalogue import Figure, Measured, Said, coded

REPLACE_BELOW = 0.8
"""IEEE 450 / IEEE 1188 practice: a battery below 80 % of its rated capacity is to be replaced."""

RAIN_MM = 0.2
"""The least rain that a gauge reports [mm]."""

SHALLOW_PERCENT = 10.0
"""A smaller fall of the charge says little [%]."""


def analyse(evidence: DischargeEvidence) -> DischargeResult:
    """The result of a rehearsal, so far or at its end. With little evidence the ranges are wide."""
    belief = believed(evidence)
    pack = from_full(belief)
    load = carried(evidence, pack)
    lasting = at_least_as_wide(triple(load.hours, CALMER), evidence)
    first = first_run(evidence)
    sleeps, sleep_says = sleeps_on_low_load(evidence)
    drift = drift_of(evidence.runs)
    rained = None if evidence.rain_mm is None else evidence.rain_mm >= RAIN_MM
    measured = evidence.energy_measured and evidence.used_percent > 0
    capacity = triple(pack.capacity_wh) if measured else None
    of_nominal = capacity[1] / evidence.site.pack.nominal_wh if capacity else None
    sizing_h, agreement = compare(evidence, pack, pump_rate(evidence), lasting[1])
    reasons = [_basis(evidence, lasting), agreement, first.says, *_water(drift, rained, evidence)]
    if sleep_says is not None:
        reasons.append(sleep_says)
    if of_nominal is not None and capacity is not None:
        reasons.append(_capacity_says(capacity, of_nominal))
    verdict = _verdict(first, sleeps, of_nominal, lasting)
    cautions = _cautions(evidence, first, sleeps, drift, rained)
    would_help = helps(evidence, load)
    plate_mean, plate_covariance = belief.plate
    return DischargeResult(
        used_percent=evidence.used_percent,
        duration_h=evidence.hours,
        draw_wh_per_h=triple(load.drain_w),
        hours_full_to_reserve=lasting,
        cycles=len(evidence.runs),
        cycles_per_hour=_cycles_per_hour(evidence),
        run_s=float(np.median([run.run_s for run in evidence.runs])) if evidence.runs else None,
        drift_p_value=None if drift is None else drift.p_value,
        rained=rained,
        capacity_wh=capacity,
        capacity_of_nominal=of_nominal,
        idle_w=triple(pack.idle_w) if measured else None,
        inverter_efficiency=triple(pack.efficiency) if measured else None,
        sizing_h=sizing_h,
        started_pump=first.started,
        sleeps_on_low_load=sleeps,
        power_pinned=first.pinned,
        verdict=str(verdict),
        reasons=tuple(str(line) for line in reasons),
        cautions=tuple(str(line) for line in cautions),
        codes=tuple(coded(line) for line in (verdict, *reasons, *cautions, *(one.what for one in would_help))),
        belief_mean=tuple(belief.mean.tolist()) if measured else None,
        belief_covariance=tuple(belief.covariance.ravel().tolist()) if measured else None,
        plate_mean=tuple(plate_mean.tolist()) if measured else None,
        plate_covariance=tuple(plate_covariance.ravel().tolist()) if measured else None,
        helps=tuple(replace(one, what=str(one.what)) for one in would_help),
    )


def _cycles_per_hour(evidence: DischargeEvidence) -> float | None:
    runs = evidence.runs
    if len(runs) >= 3:
        return (len(runs) - 1) * 3_600_000.0 / (runs[-1].start_ms - runs[0].start_ms)
    return len(runs) / evidence.hours if runs and evidence.hours else None


def _basis(evidence: DischargeEvidence, lasting: Triple) -> str:
    low, middle, high = lasting
    return Said(
        "rehearsal.basis",
        used=Figure(f"{evidence.used_percent:.0f}"),
        hours=Figure(f"{evidence.hours:.1f}"),
        low=Figure(f"{low:.1f}"),
        high=Figure(f"{high:.1f}"),
        reserve=Figure(f"{evidence.site.pack.reserve_percent:g}"),
        middle=Figure(f"{middle:.1f}"),
    )


def _water(drift: Drift | None, rained: bool | None, evidence: DischargeEvidence) -> list[str]:
    said: list[str] = []
    if rained:
        said.append(Said("rehearsal.rain_fell", depth=Measured(evidence.rain_mm or 0.0, "mm")))
    if drift is not None and drift.told:
        said.append(Said("rehearsal.drifted", chance=Figure(f"{drift.p_value:.1%}")))
    elif drift is not None:
        said.append(Said("rehearsal.no_drift", least=Figure(f"{math.expm1(drift.least):.0%}")))
    return said


def _capacity_says(capacity: Triple, of_nominal: float) -> str:
    low, middle, high = capacity
    key = "rehearsal.capacity_low" if of_nominal < REPLACE_BELOW else "rehearsal.capacity"
    figures = {"middle": Figure(f"{middle:.0f}"), "low": Figure(f"{low:.0f}"), "high": Figure(f"{high:.0f}")}
    return Said(key, **figures, share=Figure(f"{of_nominal:.0%}"))


def _verdict(first: FirstRun, sleeps: bool | None, of_nominal: float | None, lasting: Triple) -> str:
    if first.started is False:
        return Said("rehearsal.not_started")
    if sleeps:
        return Said("rehearsal.asleep")
    span = Said("rehearsal.span", low=Figure(f"{lasting[0]:.1f}"), high=Figure(f"{lasting[2]:.1f}"))
    if of_nominal is not None and of_nominal < REPLACE_BELOW:
        return Said("rehearsal.worn", span=span, share=Figure(f"{of_nominal:.0%}"))
    if first.started is None:
        return Said("rehearsal.not_proven", span=span)
    return Said("rehearsal.ready", span=span)


def _cautions(
    evidence: DischargeEvidence, first: FirstRun, sleeps: bool | None, drift: Drift | None, rained: bool | None
) -> tuple[str, ...]:
    said: list[str] = []
    if first.pinned:
        said.append(Said("rehearsal.pinned"))
    if sleeps:
        said.append(Said("rehearsal.set_on"))
    if evidence.used_percent < SHALLOW_PERCENT:
        said.append(Said("rehearsal.shallow", used=Figure(f"{evidence.used_percent:.0f}")))
    if evidence.step_percent > 1:
        said.append(Said("rehearsal.steps", step=Figure(f"{evidence.step_percent:g}")))
    if rained or (drift is not None and drift.told):
        said.append(Said("rehearsal.water"))
    if sum(max(w, 0.0) for _, w in evidence.input_w) > 0:
        said.append(Said("rehearsal.charging"))
    said.append(Said("rehearsal.no_storm"))
    return tuple(said)
