"""Pump, pack and water held against each other: the answers, the hours and their arithmetic."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecaster.domain.forecast import Quantiles
from forecaster.domain.site import Site
from forecaster.engine.reserve import quantiles
from forecaster.sizing.battery import margins
from forecaster.sizing.draw import Draw, running_draw
from forecaster.sizing.keep_up import can_keep_up
from forecaster.sizing.pumps import Judged, all_run, all_start
from forecaster.sizing.question import Question
from forecaster.sizing.runtime import Situation, central, duty_of, hours, situation
from forecaster.sizing.terms import Step, number
from forecaster.texts.catalogue import Said


@dataclass(frozen=True, slots=True)
class Weighed:
    """Pump, pack and water held against each other: what options are compared by.

    runs, starts, keeps : each answer and its arithmetic
    simple : capacity over mean pump power [h], its arithmetic, and the mean pump power [W]
    held : the situation and its arithmetic
    """

    draw: Draw | None
    runs: Judged
    starts: Judged
    keeps: Judged
    simple: tuple[float | None, list[Step], float | None]
    held: tuple[Situation, tuple[Step, ...]]
    hours: Quantiles


def weighed(site: Site, question: Question) -> Weighed:
    """A site's pumps on one pack held against a question."""
    draw = running_draw(site.pump, question.running_w, question.pipe) if question.pump else None
    simple = simple_hours(site, question, draw)
    held = _hours(site, question, draw, simple[2])
    runs, starts = all_run(site, question, draw), all_start(site, question, draw)
    return Weighed(draw, runs, starts, can_keep_up(site, question, draw), simple, held, quantiles(hours(held[0])))


def simple_hours(site: Site, question: Question, draw: Draw | None) -> tuple[float | None, list[Step], float | None]:
    """Nameplate capacity over mean pump power [h], its arithmetic, and the mean pump power [W]."""
    duty = duty_of(question)
    if draw is None or duty is None:
        return None, [], None
    mean_w = draw.w.mid * duty
    simple = site.pack.nominal_wh / mean_w
    cycles, run_s = question.cycles_per_hour or 0.0, question.run_s or 0.0
    each = draw.w.mid * run_s / 3600.0
    steps = [
        Step(
            Said("size.step.run_energy"),
            Said("size.from.run_energy", watts=number(draw.w.mid), run_s=number(run_s)),
            each,
            "Wh",
        ),
        Step(
            Said("size.step.hour_energy"),
            Said("size.from.hour_energy", wh=number(each), cycles=number(cycles)),
            mean_w,
            "Wh/h",
        ),
        Step(Said("size.step.duty"), Said("size.from.duty", cycles=number(cycles), run_s=number(run_s)), duty, ""),
        Step(
            Said("size.step.nonstop"),
            Said("size.from.nonstop", wh=number(site.pack.nominal_wh), watts=number(draw.w.mid)),
            site.pack.nominal_wh / draw.w.mid,
            "h",
        ),
        Step(
            Said("size.step.simple"),
            Said("size.from.simple", wh=number(site.pack.nominal_wh), watts=number(mean_w)),
            simple,
            "h",
        ),
    ]
    return simple, steps, mean_w


def _hours(
    site: Site, question: Question, draw: Draw | None, mean_w: float | None
) -> tuple[Situation, tuple[Step, ...]]:
    """The situation, and its arithmetic at the median of every belief."""
    running = draw.w if draw else None
    shares = margins(site.pack, running.mid if running else None, question.temperature_c, question.end_of_life)
    held = situation(site, question, running, shares)
    middle_w = mean_w if mean_w is not None else float(np.median(held.pump_wh[:, -1]) / (held.ahead_s[-1] / 3600.0))
    capacity = float(np.median(held.pack.capacity_wh))
    told = central(held, middle_w, capacity, question.charge_percent, site.pack.reserve_percent, shares.fast_drain)
    middle = float(np.median(hours(held)))
    last = Step(Said("size.step.hours"), Said("size.from.hours"), middle, "h")
    return held, (*shares.steps, *told.steps, last)
