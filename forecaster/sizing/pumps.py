"""Two pumps in one pit: each by itself, both at once on the pack, and what they lift together."""

from __future__ import annotations

from dataclasses import dataclass, replace

from forecaster.domain.forecast import Quantiles
from forecaster.domain.helps import Help
from forecaster.domain.site import Driven, Load, NamedPump, Pump, Site
from forecaster.pack.nameplate import second_flow_share
from forecaster.sizing.draw import Draw, running_draw
from forecaster.sizing.keep_up import inflow_l_per_min
from forecaster.sizing.options import WhatIf
from forecaster.sizing.question import ObservedStart, Question
from forecaster.sizing.running import by_kind, can_run
from forecaster.sizing.starting import both_at_once, can_start, live_start
from forecaster.sizing.terms import Answer, Finding, Step, weakest
from forecaster.texts.catalogue import Said


@dataclass(frozen=True, slots=True)
class PumpOption:
    """One of two pumps, as if it lifted all the water by itself.

    hours : Quantiles | None — to the reserve floor [h]; None: it takes nothing from the pack
    helps, what_ifs : what would help, and each change asked about, while it lifts all the water
    pack : str | None — the pack of its own that it hangs on; None: both share
    """

    id: str
    can_run: Finding
    can_start: Finding
    can_keep_up: Finding
    hours: Quantiles | None
    helps: tuple[Help, ...] = ()
    what_ifs: tuple[WhatIf, ...] = ()
    pack: str | None = None


Judged = tuple[Finding, tuple[Step, ...]]


def all_run(site: Site, question: Question, draw: Draw | None) -> Judged:
    """Whether the pack runs the pump, and a second one on it at the same time, and the arithmetic."""

    def run(loads: tuple[Load, ...]) -> Judged:
        asked = question.run_s, question.cord, question.observed_start, question.temperature_c
        return can_run(draw, site.pump, site.pack, loads, *asked)

    other = _second_draw(site, question, draw)
    found, steps = _between(*(run((*site.loads, *beside)) for beside in _beside(other)))
    return (found, steps) if other is None else (weakest(found, *by_kind(other[0].pump, site.pack)), steps)


def all_start(site: Site, question: Question, draw: Draw | None) -> Judged:
    """Whether the pack starts the pump, and of two each while the other one runs, and both at once; the arithmetic."""

    def start(of: Draw | None, pump: Pump, loads: tuple[Load, ...], seen: ObservedStart | None) -> Judged:
        return can_start(of, pump, site.pack, loads, question.cord, seen)

    other = _second_draw(site, question, draw)
    seen = question.observed_start
    first = _between(*(start(draw, site.pump, (*site.loads, *beside), seen) for beside in _beside(other)))
    if other is None or draw is None:
        return first
    pump = other[0].pump
    second = _between(
        *(start(other[1], pump, (*site.loads, *beside), None) for beside in _beside((site.pumps[0], draw)))
    )
    together = both_at_once(((site.pump, draw), (pump, other[1])), site.pack, site.loads, question.cord, other[0].id)
    return weakest(first[0], second[0], together), (*first[1], *second[1])


def _second_draw(site: Site, question: Question, draw: Draw | None) -> tuple[NamedPump, Draw] | None:
    """The second pump on the same pack with what it draws; None where there is none, or no pump was asked about."""
    second = site.second_pump
    if second is None or draw is None or second.driven_by is not Driven.PACK:
        return None
    return second, running_draw(second.pump, None, question.pipe)


def _beside(other: tuple[NamedPump, Draw] | None) -> tuple[tuple[Load, ...], ...]:
    """A pump as a load beside another one, by the least and by the most that it may draw."""
    if other is None:
        return ((),)
    named, draw = other
    return ((Load(named.id, draw.w.low),), (Load(named.id, draw.w.high),))


def _between(*judged: Judged) -> Judged:
    """The answer by the most that may be drawn; a no that the least would not give is unproven."""
    (least, _), (most, steps) = judged[0], judged[-1]
    if most.answer is Answer.NO and least.answer is not Answer.NO:
        return Finding(Answer.UNPROVEN, most.why, live_start()), steps
    return most, steps


def alone(site: Site, second: NamedPump) -> Site:
    """The site with the second pump in place of the first one."""
    return replace(site, pump=second.pump, pumps=())


def asked_of_second(site: Site, question: Question) -> Question:
    """The question with the second pump's runs: the same water through its own flow, without a stop where it must."""
    share, cycles, run_s = second_flow_share(site), question.cycles_per_hour, question.run_s
    asked = replace(question, running_w=None, observed_start=None, record=None, for_hours=None)
    if cycles is None or run_s is None or share is None:
        return asked
    return replace(asked, run_s=min(run_s / share, 3600.0 / cycles))


def municipal_steps(site: Site, question: Question) -> tuple[Step, ...]:
    """The municipal water that a second pump on water pressure uses while it lifts all that comes [L/h]."""
    second = site.second_pump
    inflow = inflow_l_per_min(site, question)
    if second is None or second.supply_l_per_l is None or inflow is None:
        return ()
    used = 60.0 * inflow * second.supply_l_per_l
    return (Step(Said("size.step.municipal"), Said("size.from.municipal"), used, "L/h"),)


def no_electricity() -> Finding:
    """The answer for a pump that water pressure drives."""
    return Finding(Answer.YES, Said("size.pump.no_electricity"))
