"""The sizing as a whole: one question in, one answer out, and the answer as a JSON document for scripts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from forecaster.domain.forecast import LEVELS, Quantiles
from forecaster.domain.helps import Help
from forecaster.domain.site import Driven, Pack, Site
from forecaster.engine.reserve import quantiles
from forecaster.pack.bank import pump_packs
from forecaster.sizing.battery import margins
from forecaster.sizing.cautions import cautions
from forecaster.sizing.draw import Draw
from forecaster.sizing.helps import help_document, helps
from forecaster.sizing.keep_up import can_keep_up
from forecaster.sizing.one_a_pump import (
    asked_of,
    behind,
    helps_apart,
    season_apart,
    weighed_apart,
    what_ifs_apart,
    with_first_pack,
)
from forecaster.sizing.options import Change, Need, PackOption, WhatIf, beside, capacity_needed, check_change, what_ifs
from forecaster.sizing.pumps import (
    PumpOption,
    alone,
    asked_of_second,
    municipal_steps,
    no_electricity,
)
from forecaster.sizing.question import Question, check, check_pack
from forecaster.sizing.running import va_caution
from forecaster.sizing.runtime import Situation, hours, hours_to_empty, situation
from forecaster.sizing.seasons import Season, assumed, recorded
from forecaster.sizing.starting import inrush
from forecaster.sizing.terms import Band, Finding, Step, rounded
from forecaster.sizing.verdict import can_last, verdict
from forecaster.sizing.weighed import weighed
from forecaster.texts.catalogue import Said


@dataclass(frozen=True, slots=True)
class Sizing:
    """What can be said before anything was tried.

    verdict : str — one sentence, to be read first
    simple_estimate_h : float | None — nameplate capacity over mean pump power [h]; None without a described rhythm
    hours_remaining, hours_to_empty : Quantiles — to the reserve floor and until no energy is left [h]
    running_w, running_va : Band | None — the pump's running power at the outlet [W], [VA]; None: no pump
    steps : tuple[Step, ...] — the arithmetic, line by line
    need : Need | None — capacity for the hours asked for; None: none were asked for
    packs : tuple[PackOption, ...] — the site's own pack first, then the others; empty without others
    pumps : tuple[PumpOption, ...] — each of two pumps as if it lifted all the water; empty for a single one
    can_last : Finding | None — whether the pack lasts the hours asked for; None: none were asked for
    """

    site: str
    verdict: str
    can_run: Finding
    can_start: Finding
    can_keep_up: Finding
    simple_estimate_h: float | None
    hours_remaining: Quantiles
    hours_to_empty: Quantiles
    running_w: Band | None
    running_va: Band | None
    seasons: tuple[Season, ...]
    steps: tuple[Step, ...]
    cautions: tuple[str, ...]
    need: Need | None = None
    what_ifs: tuple[WhatIf, ...] = ()
    packs: tuple[PackOption, ...] = ()
    can_last: Finding | None = None
    helps: tuple[Help, ...] = ()
    pumps: tuple[PumpOption, ...] = ()

    @property
    def parts(self) -> tuple[Finding, ...]:
        """The findings that must all be a yes for the whole to be one."""
        return (self.can_run, self.can_start, self.can_keep_up, *((self.can_last,) if self.can_last else ()))


def size(
    site: Site, question: Question, change: Change | None = None, packs: Sequence[tuple[str, Pack]] = ()
) -> Sizing:
    """Answer a question about a site.

    change : Change | None — changes to weigh; None: no what-ifs
    packs : Sequence[tuple[str, Pack]] — other packs to compare with the site's own, each with its name
    Errors: UsageError naming the field that is missing or impossible.
    """
    check(site, question)
    if change is not None:
        check_change(change)
    for _, pack in packs:
        check_pack(pack, question.charge_percent)
    of = weighed_apart(site, question) if site.pack_a_pump else weighed(site, question)
    draw, lasting = of.draw, of.hours
    (runs, run_steps), (starts, start_steps), (keeps, keep_steps) = of.runs, of.starts, of.keeps
    (simple, rhythm_steps, mean_w), (held, hour_steps) = of.simple, of.held
    found = inrush(site.pump, draw) if draw is not None else None
    water_steps = (*keep_steps, *municipal_steps(site, question))
    steps = (*(draw.steps if draw else ()), *run_steps, *start_steps, *water_steps, *rhythm_steps, *hour_steps)
    generator = change is not None and change.generator_h is not None
    minded = cautions(site, question, starts, found, generator)
    if site.pack_a_pump:
        of_second = cautions(behind(site, 1), asked_of(site, question, 1), starts, None, generator)
        minded = (*minded, *(line for line in of_second if line not in minded))
    amperes = va_caution(draw.va, pump_packs(site)[0]) if draw is not None else None
    particular = (*(draw.cautions if draw else ()), *((amperes,) if amperes else ()))
    need = None
    if question.for_hours is not None:
        need = capacity_needed(held, site.pack.nominal_wh, question.for_hours, question.probability)
    lasts = can_last(need)
    return Sizing(
        site=site.id,
        verdict=verdict(runs, starts, keeps, lasts, lasting, site.pack.reserve_percent, question.pump),
        can_run=runs,
        can_start=starts,
        can_keep_up=keeps,
        can_last=lasts,
        simple_estimate_h=simple,
        hours_remaining=lasting,
        hours_to_empty=hours_to_empty(held),
        running_w=draw.w if draw else None,
        running_va=draw.va if draw else None,
        seasons=_seasons(site, question, draw, mean_w),
        steps=steps,
        cautions=(*particular, *minded),
        need=need,
        helps=helps_apart(held, site, question) if site.pack_a_pump else helps(held, site, question, draw),
        what_ifs=() if change is None else _what_ifs(held, site, question, change),
        packs=_beside(site, question, packs, runs, starts, lasting),
        pumps=_each_pump(site, question, draw, change),
    )


def _what_ifs(held: Situation, site: Site, question: Question, change: Change) -> tuple[WhatIf, ...]:
    """Each change by itself; where each pump has its own pack, at each of these."""
    if site.pack_a_pump:
        return what_ifs_apart(held, site, question, change)
    return what_ifs(held, site, change, question.temperature_c)


def _each_pump(site: Site, question: Question, draw: Draw | None, change: Change | None) -> tuple[PumpOption, ...]:
    """Each of two pumps as if it lifted all the water; nothing for a single one."""
    second = site.second_pump
    if second is None or draw is None:
        return ()
    if site.pack_a_pump:
        asks = ((behind(site, place), asked_of(site, question, place)) for place in (0, 1))
        each = (_option(one.id, *ask, change) for one, ask in zip(site.pumps, asks, strict=True))
        return tuple(replace(one, pack=pack.id) for one, pack in zip(each, site.packs, strict=True))
    asked, instead = asked_of_second(site, question), alone(site, second)
    if second.driven_by is Driven.WATER_PRESSURE:
        keeps, _ = can_keep_up(instead, asked, draw)
        other = PumpOption(second.id, no_electricity(), no_electricity(), keeps, None)
    else:
        other = _option(second.id, instead, asked, change)
    return (_option(site.pumps[0].id, replace(site, pumps=()), question, change), other)


def _option(name: str, site: Site, question: Question, change: Change | None) -> PumpOption:
    """The site's only pump as an option."""
    check(site, question)
    of = weighed(site, question)
    held = of.held[0]
    asked = what_ifs(held, site, change, question.temperature_c) if change is not None else ()
    helping = helps(held, site, question, of.draw)
    return PumpOption(name, of.runs[0], of.starts[0], of.keeps[0], of.hours, helping, asked)


def _seasons(site: Site, question: Question, draw: Draw | None, mean_w: float | None) -> tuple[Season, ...]:
    if draw is None:
        return ()
    named: list[tuple[str, float]] = []
    if mean_w is not None:
        named += assumed(mean_w, draw.w.mid)
    if question.record is not None:
        named += recorded(question.record, draw.w.mid)
    found = []
    for name, watts in named:
        if site.pack_a_pump:
            held = season_apart(site, question, watts)
        else:
            shares = margins(site.pack, draw.w.mid, question.temperature_c, question.end_of_life)
            held = situation(site, question, draw.w, shares, mean_w=watts)
        found.append(Season(name, watts, watts / draw.w.mid, quantiles(hours(held))))
    return tuple(found)


def _beside(
    site: Site,
    question: Question,
    packs: Sequence[tuple[str, Pack]],
    runs: Finding,
    starts: Finding,
    lasting: Quantiles,
) -> tuple[PackOption, ...]:
    """The site's own pack and the others; where each pump has its own, in place of the first one's.

    What was observed on the site's own pack is not used for the others.
    """
    if not packs:
        return ()
    lines = [beside(Said("size.option.this"), site, runs, starts, lasting)]
    for name, pack in packs:
        other = with_first_pack(site, pack)
        asked = replace(question, observed_start=None, sleeps_on_low_load=None, for_hours=None)
        check(other, asked)
        of = weighed_apart(other, asked) if other.pack_a_pump else weighed(other, asked)
        lines.append(beside(name, other, of.runs[0], of.starts[0], of.hours))
    return tuple(lines)


def quantiles_document(value: Quantiles) -> dict[str, float | None]:
    """Quantiles as in the forecast document: p05 to p95, null where not known."""
    named = zip(LEVELS, value.values(), strict=True)
    return {f"p{round(level * 100):02d}": rounded(v) for level, v in named}


def _plain(text: str | None) -> str | None:
    """A text as documents take it: in English, without its key."""
    return None if text is None else str(text)


def _band(value: Band | None) -> dict[str, float] | None:
    return None if value is None else {"low": value.low, "mid": value.mid, "high": value.high}


def document(sizing: Sizing) -> dict[str, Any]:
    """The sizing as JSON, as `outlast size --json` and POST /api/v1/sizing give it."""
    run, start, keep = sizing.can_run, sizing.can_start, sizing.can_keep_up
    told: dict[str, Any] = {
        "site": sizing.site,
        "verdict": str(sizing.verdict),
        "can_run": run.answer.value,
        "can_start": start.answer.value,
        "can_keep_up": keep.answer.value,
        "why": {"can_run": str(run.why), "can_start": str(start.why), "can_keep_up": str(keep.why)},
        "settle": {
            "can_run": _plain(run.settle),
            "can_start": _plain(start.settle),
            "can_keep_up": _plain(keep.settle),
        },
        "simple_estimate_h": rounded(sizing.simple_estimate_h),
        "hours_remaining": quantiles_document(sizing.hours_remaining),
        "hours_to_empty": quantiles_document(sizing.hours_to_empty),
        "running_w": _band(sizing.running_w),
        "running_va": _band(sizing.running_va),
        "seasons": [
            {
                "name": str(s.name),
                "pump_mean_w": rounded(s.pump_mean_w),
                "duty": rounded(s.duty),
                "hours_remaining": quantiles_document(s.hours),
            }
            for s in sizing.seasons
        ],
        "steps": [
            {"name": str(s.name), "formula": str(s.formula), "value": rounded(s.value), "unit": str(s.unit)}
            for s in sizing.steps
        ],
        "helps": [help_document(one) for one in sizing.helps],
        "cautions": [str(line) for line in sizing.cautions],
    }
    if sizing.need is not None:
        need = sizing.need
        told["capacity_needed"] = {
            "hours": need.hours, "probability": need.probability, "capacity_wh": rounded(need.capacity_wh),
            "described_wh": need.described_wh, "enough": need.enough,
        }  # fmt: skip
    if sizing.can_last is not None:
        told["can_last"] = sizing.can_last.answer.value
        told["why"]["can_last"] = str(sizing.can_last.why)
        told["settle"]["can_last"] = _plain(sizing.can_last.settle)
    if sizing.what_ifs:
        told["what_if"] = [_what_if(one) for one in sizing.what_ifs]
    if sizing.pumps:
        told["pumps"] = [_pump(option) for option in sizing.pumps]
    if sizing.packs:
        told["packs"] = [_pack(option) for option in sizing.packs]
    return told


def _what_if(one: WhatIf) -> dict[str, Any]:
    hours, gained = quantiles_document(one.hours), rounded(one.gained_h)
    return {"name": str(one.name), "hours_remaining": hours, "gained_h": gained}


def _pack(option: PackOption) -> dict[str, Any]:
    return {
        "name": str(option.name),
        "can_run": option.can_run.answer.value,
        "can_start": option.can_start.answer.value,
        "why": {"can_run": str(option.can_run.why), "can_start": str(option.can_start.why)},
        "hours_remaining": quantiles_document(option.hours),
        "price": option.price,
        "price_per_hour": rounded(option.price_per_hour),
    }


def _pump(option: PumpOption) -> dict[str, Any]:
    parts = {"can_run": option.can_run, "can_start": option.can_start, "can_keep_up": option.can_keep_up}
    return {
        "id": option.id,
        **({} if option.pack is None else {"pack": option.pack}),
        **{name: part.answer.value for name, part in parts.items()},
        "why": {name: str(part.why) for name, part in parts.items()},
        "hours_remaining": None if option.hours is None else quantiles_document(option.hours),
        "helps": [help_document(one) for one in option.helps],
        "what_if": [_what_if(one) for one in option.what_ifs],
    }
