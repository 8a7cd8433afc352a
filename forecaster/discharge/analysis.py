"""A rehearsal's evidence to its result: measured drain, hours, cycles, capacity, what was observed, and a verdict."""

from __future__ import annotations

import numpy as np

from forecaster.discharge.comparison import compare
from forecaster.discharge.drift import DRIFTED, drift_p_value
from forecaster.discharge.evidence import DischargeEvidence
from forecaster.discharge.hours import (
    Triple,
    at_least_as_wide,
    believed,
    charge_line_h,
    from_full,
    hours_full_to_reserve,
    pump_rate,
    triple,
)
from forecaster.discharge.observed import FirstRun, first_run, sleeps_on_low_load
from forecaster.domain.discharge import DischargeResult

REPLACE_BELOW = 0.8
"""IEEE 450 / IEEE 1188 practice: a battery below 80 % of its rated capacity is to be replaced."""

RAIN_MM = 0.2
"""The least rain a gauge tells [mm]."""

SHALLOW_PERCENT = 10.0
"""A fall below this tells little."""


def analyse(evidence: DischargeEvidence) -> DischargeResult:
    """What a rehearsal says, so far or in the end. Never fails on little evidence: the ranges then are wide."""
    belief = believed(evidence)
    pack = from_full(belief)
    hours_draws, drain_draws = hours_full_to_reserve(evidence, pack)
    lasting = at_least_as_wide(triple(hours_draws), evidence)
    first = first_run(evidence)
    sleeps, sleep_says = sleeps_on_low_load(evidence)
    drift = drift_p_value(evidence.runs)
    rained = None if evidence.rain_mm is None else evidence.rain_mm >= RAIN_MM
    measured = evidence.energy_measured and evidence.used_percent > 0
    capacity = triple(pack.capacity_wh) if measured else None
    of_nominal = capacity[1] / evidence.site.pack.nominal_wh if capacity else None
    sizing_h, agreement = compare(evidence, pack, pump_rate(evidence), lasting[1])
    reasons = [*_basis(evidence, lasting), agreement, first.says, *_water(drift, rained, evidence)]
    if sleep_says is not None:
        reasons.append(sleep_says)
    if of_nominal is not None and capacity is not None:
        reasons.append(_capacity_says(capacity, of_nominal))
    return DischargeResult(
        used_percent=evidence.used_percent,
        duration_h=evidence.hours,
        draw_wh_per_h=triple(drain_draws),
        hours_full_to_reserve=lasting,
        cycles=len(evidence.runs),
        cycles_per_hour=_cycles_per_hour(evidence),
        run_s=float(np.median([run.run_s for run in evidence.runs])) if evidence.runs else None,
        drift_p_value=drift,
        rained=rained,
        capacity_wh=capacity,
        capacity_of_nominal=of_nominal,
        idle_w=triple(pack.idle_w) if measured else None,
        inverter_efficiency=triple(pack.efficiency) if measured else None,
        sizing_h=sizing_h,
        started_pump=first.started,
        sleeps_on_low_load=sleeps,
        power_pinned=first.pinned,
        verdict=_verdict(first, sleeps, of_nominal, lasting),
        reasons=tuple(reasons),
        cautions=_cautions(evidence, first, sleeps, drift, rained),
        belief_mean=tuple(belief.mean.tolist()) if measured else None,
        belief_covariance=tuple(belief.covariance.ravel().tolist()) if measured else None,
    )


def _cycles_per_hour(evidence: DischargeEvidence) -> float | None:
    runs = evidence.runs
    if len(runs) >= 3:
        return (len(runs) - 1) * 3_600_000.0 / (runs[-1].start_ms - runs[0].start_ms)
    return len(runs) / evidence.hours if runs and evidence.hours else None


def _basis(evidence: DischargeEvidence, lasting: Triple) -> list[str]:
    low, middle, high = lasting
    said = [
        f"{evidence.used_percent:.0f} % of charge went in {evidence.hours:.1f} h: {low:.1f} to {high:.1f} h from full "
        f"to the reserve floor of {evidence.site.pack.reserve_percent:g} %, middle {middle:.1f} h."
    ]
    if evidence.used_percent > 0 and evidence.hours > 0:
        span = 100.0 - evidence.site.pack.reserve_percent
        by_charge = charge_line_h(evidence.used_percent, evidence.hours, span, evidence.step_percent)
        said.append(
            f"By the charge alone, read in steps of {evidence.step_percent:g} %: {by_charge[1]:.1f} h, "
            f"{by_charge[0]:.1f} to {by_charge[2]:.1f} h."
        )
    return said


def _water(drift: float | None, rained: bool | None, evidence: DischargeEvidence) -> list[str]:
    said = []
    if rained:
        said.append(f"It rained {evidence.rain_mm:.1f} mm meanwhile, so the inflow was not that of a dry day.")
    if drift is not None and drift < DRIFTED:
        said.append(f"The cycles drifted meanwhile (chance by accident {drift:.1%}): the water was rising or falling.")
    elif drift is not None:
        said.append("The cycles did not drift more than chance explains.")
    return said


def _capacity_says(capacity: Triple, of_nominal: float) -> str:
    low, middle, high = capacity
    said = f"The capacity is {middle:.0f} Wh ({low:.0f} to {high:.0f}), {of_nominal:.0%} of the nameplate"
    if of_nominal < REPLACE_BELOW:
        return f"{said}: below 80 %, at which batteries are replaced (IEEE 450 and 1188 practice)."
    return f"{said}."


def _verdict(first: FirstRun, sleeps: bool | None, of_nominal: float | None, lasting: Triple) -> str:
    if first.started is False:
        return "Not ready: the pump did not start on the pack."
    if sleeps:
        return "Not ready: the pack's output falls asleep between runs."
    span = f"{lasting[0]:.1f} to {lasting[2]:.1f} hours from full to the reserve floor"
    if of_nominal is not None and of_nominal < REPLACE_BELOW:
        return f"Worn: {span}, on {of_nominal:.0%} of the capacity on the label."
    if first.started is None:
        return f"Not proven: {span}, but no run was seen on the pack."
    return f"Ready: {span}, at the inflow of this rehearsal."


def _cautions(
    evidence: DischargeEvidence, first: FirstRun, sleeps: bool | None, drift: float | None, rained: bool | None
) -> tuple[str, ...]:
    said = []
    if first.pinned:
        said.append("The power sat at the pack's rating: the pump may ask for more than the pack gives.")
    if sleeps:
        said.append("Set the pack's output to stay on under a low load, and rehearse again.")
    if evidence.used_percent < SHALLOW_PERCENT:
        said.append(f"Only {evidence.used_percent:.0f} % of charge went: a longer rehearsal tells more.")
    if evidence.step_percent > 1:
        said.append(f"The charge is reported in steps of {evidence.step_percent:g} %, so the range is wide.")
    if rained or (drift is not None and drift < DRIFTED):
        said.append("The hours hold for the water of this rehearsal; in a wetter hour the pack lasts for less.")
    if sum(max(w, 0.0) for _, w in evidence.input_w) > 0:
        said.append("The pack was charging during a part of it; the energy that went in is counted.")
    said.append("A rehearsal is not a storm: a pump that runs more uses more. Keep the high-water alarm.")
    return tuple(said)
