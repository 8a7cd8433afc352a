"""Can it keep up: what flows in as described, in the wet season and in a storm, against what the pump lifts.

A pump that runs the share d of the time lifts an inflow of d times its rate (MIL-HDBK-1005/9A 2.5.3.6, duty = Qi/Qp).
"""

from __future__ import annotations

from forecaster.domain.site import Pump, Site
from forecaster.pack.nameplate import second_flow_share
from forecaster.sizing.draw import Draw
from forecaster.sizing.pipe import Pipe, operating_point
from forecaster.sizing.question import ROUNDING, InflowRecord, Question
from forecaster.sizing.seasons import WET_SHARE
from forecaster.sizing.terms import Answer, Finding, Step, number, share
from forecaster.texts.catalogue import Said

STORM_SHARE = 1.5
"""Inflow in an hour of storm as a multiple of the wet season's. Common practice, no source."""

WORN = 0.9
"""Share of its rate that a worn pump still lifts. Common practice, no source."""

LEAST_RECORD_D = 330.0
"""A record shorter than this may not have seen a wet season [days]."""


def rate_at_head(pump: Pump, pipe: Pipe | None) -> float | None:
    """The pump's rate [L/min] at its static head and through its pipe; without a pipe the rated flow.

    None where the nameplate does not tell it.
    """
    rated, static, most = pump.rated_flow_l_per_min, pump.static_head_m, pump.maximum_head_m
    if rated is None or pipe is None:
        return rated
    return None if static is None or most is None else operating_point(static, most, rated, pipe)[0]


def inflow_l_per_min(site: Site, question: Question) -> float | None:
    """Inflow [L/min] by the described rhythm: the drawdown volume over the time that the pump rests, V / t_off.

    None where the pit or the rhythm is not described, or the pump never rests.
    """
    volume, cycles, run_s = site.pit.drawdown_l, question.cycles_per_hour, question.run_s
    if volume is None or cycles is None or run_s is None or cycles * run_s >= 3600.0 * (1.0 - ROUNDING):
        return None
    return volume / ((3600.0 / cycles - run_s) / 60.0)


def shares_of_rate(site: Site, question: Question, draw: Draw) -> tuple[list[tuple[str, float]], list[Step]]:
    """The inflow by each kind of evidence, named, as a share of the pump's rate, and the arithmetic.

    Evidence is the described rhythm, the pit's volume with it, and the wettest hour on record.
    """
    found: list[tuple[str, float]] = []
    steps: list[Step] = []
    cycles, run_s = question.cycles_per_hour, question.run_s
    if cycles is not None and run_s is not None:
        found.append((Said("size.season.described"), cycles * run_s / 3600.0))
    rate, inflow = rate_at_head(site.pump, question.pipe), inflow_l_per_min(site, question)
    if rate is not None:
        steps.append(Step(Said("size.step.rate"), Said("size.from.rate"), rate, "L/min"))
        narrowed = (site.pump.rated_flow_l_per_min or rate) / rate
        found += [(name, narrowed * running) for name, running in found]
    if rate is not None and inflow is not None:
        steps.append(Step(Said("size.step.inflow"), Said("size.from.inflow"), inflow, "L/min"))
        found.append((Said("size.season.described"), inflow / rate))
    if question.record is not None:
        found.append((Said("size.season.wettest_hour"), question.record.wettest_hour_w / draw.w.mid))
    return found, steps


def _floor(site: Site, question: Question, asked: float) -> Said | None:
    """Minutes from the switch-on level to a wet floor at an inflow of `asked` times the pump's rate, above 1.

    None where the rate or the pit is not described.
    """
    rate, pit = rate_at_head(site.pump, question.pipe), site.pit
    if rate is None or pit.area_m2 is None or pit.freeboard_m is None:
        return None
    surplus = (asked - 1.0) * rate
    return Said("size.keep.floor", minutes=number(1000.0 * pit.area_m2 * pit.freeboard_m / surplus))


def _judged(asked: float, wet: float, grounded: bool, floor: Said | None) -> Finding:
    """The answer from the inflow asked about and the wet season's, each as a share of the pump's rate.

    grounded : bool — whether the rate behind the described pipe is known; without it a yes becomes unproven
    """
    storm = STORM_SHARE * wet / WORN
    if asked >= 1.0 or wet > 1.0:
        key = "size.keep.no" if asked < 1.0 else "size.keep.no_now"
        said = Said(key, wet=share(wet), asked=share(asked), season=number(WET_SHARE))
        why = said if floor is None else Said("size.keep.and_floor", why=said, floor=floor)
        return Finding(Answer.NO, why, Said("size.settle.greater_pump"))
    said = Said("size.keep.share", wet=share(wet), storm=share(storm))
    if storm > 1.0 or not grounded:
        key = "size.keep.storm" if storm > 1.0 else "size.keep.rate_unknown"
        return Finding(Answer.UNPROVEN, Said(key, why=said), Said("size.settle.count_runs"))
    return Finding(Answer.YES, said)


def can_keep_up(site: Site, question: Question, draw: Draw | None) -> tuple[Finding, tuple[Step, ...]]:
    """Whether the pump lifts more than flows in, as described, in the wet season and in a storm; and the arithmetic."""
    if draw is None:
        return Finding(Answer.YES, Said("size.keep.no_pump")), ()
    found, steps = shares_of_rate(site, question, draw)
    if not found:
        return Finding(Answer.UNPROVEN, Said("size.keep.unknown"), Said("size.settle.count_runs")), tuple(steps)
    record = question.record
    assumed = [asked for name, asked in found if name == Said("size.season.described")]
    asked = max(value for _, value in found)
    wet = asked if _seen_a_year(record) else max(asked, WET_SHARE * max(assumed, default=asked))
    name = "size.step.wet_share"
    steps.append(Step(Said("size.step.asked_share"), Said("size.from.asked_share"), asked, Said("size.unit.of_rate")))
    steps.append(Step(Said(name), Said("size.from.wet_share"), wet, Said("size.unit.of_rate")))
    grounded = question.pipe is None or rate_at_head(site.pump, question.pipe) is not None
    alone = _judged(asked, wet, grounded, _floor(site, question, wet) if wet > 1.0 else None)
    return (alone if site.second_pump is None else _with_second(alone, site, asked, wet, grounded)), tuple(steps)


def _with_second(alone: Finding, site: Site, asked: float, wet: float, grounded: bool) -> Finding:
    """The finding where a second pump lifts beside the first one as soon as that does not keep up."""
    if alone.answer is Answer.YES:
        return alone
    more = second_flow_share(site)
    if more is None:
        said = Said("size.keep.second_unknown", why=alone.why)
        return Finding(Answer.UNPROVEN, said, Said("size.settle.both_flows"))
    both = _judged(asked / (1.0 + more), wet / (1.0 + more), grounded, None)
    return Finding(both.answer, Said("size.keep.both", why=both.why), both.settle)


def _seen_a_year(record: InflowRecord | None) -> bool:
    return record is not None and record.days >= LEAST_RECORD_D
