"""Two pumps that each hang on a pack of their own: each against its own pack, and how long either keeps the pit dry.

The first pump lifts until its pack is empty, and then the second one. What the second one's pack holds counts only
where that pump runs, starts and keeps up by itself; where the water needs both, the pit is dry as long as both last.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from forecaster.domain.helps import Help
from forecaster.domain.site import Pack, Site
from forecaster.engine.reserve import quantiles
from forecaster.maths.arrays import Array
from forecaster.pack.bank import loads_of, taken_together
from forecaster.pack.nameplate import second_flow_share
from forecaster.sizing.battery import margins
from forecaster.sizing.draw import Draw, running_draw
from forecaster.sizing.helps import helps
from forecaster.sizing.keep_up import can_keep_up
from forecaster.sizing.options import Change, WhatIf, what_ifs
from forecaster.sizing.pumps import Judged, asked_of_second
from forecaster.sizing.question import Question
from forecaster.sizing.runtime import Lasting, Situation, hours, situation
from forecaster.sizing.terms import Answer, Finding, Step, weakest
from forecaster.sizing.weighed import Weighed, simple_hours, weighed
from forecaster.texts.catalogue import Said


def behind(site: Site, place: int) -> Site:
    """The site as if one of the pumps, 0 for the first, were its only one, with its own pack and what hangs on that."""
    return replace(
        site,
        pump=site.pumps[place].pump,
        pumps=(),
        pack=site.packs[place].pack,
        packs=(),
        arrangement=None,
        loads=loads_of(site, place),
    )


def with_first_pack(site: Site, pack: Pack) -> Site:
    """The site with another pack; where each pump has its own, behind the first one."""
    if not site.pack_a_pump:
        return replace(site, pack=pack)
    packs = (replace(site.packs[0], pack=pack), *site.packs[1:])
    return replace(site, pack=taken_together(packs), packs=packs)


def asked_of(site: Site, question: Question, place: int) -> Question:
    """The question as it is asked of one of the pumps."""
    return question if place == 0 else asked_of_second(site, question)


def weighed_apart(site: Site, question: Question) -> Weighed:
    """Both pumps against their own packs as one: the weakest part leads."""
    each = [weighed(behind(site, place), asked_of(site, question, place)) for place in (0, 1)]
    if not question.pump:
        return _loads_alone(site, each)
    first, second = each
    keeps, steps, situation = _kept_dry(site, question, first, second)
    lasting = hours(situation)
    end = Step(Said("size.step.hours"), Said("size.from.hours_apart"), float(np.median(lasting)), "h")
    return Weighed(
        first.draw,
        _both(site, first.runs, second.runs),
        _both(site, first.starts, second.starts),
        (keeps, steps),
        simple_hours(site, question, first.draw),
        (situation, (*_named(site, 0, first.held[1]), *_named(site, 1, second.held[1]), end)),
        quantiles(lasting),
    )


def _loads_alone(site: Site, each: list[Weighed]) -> Weighed:
    """The other loads without a pump: until either of the packs that they hang on is at its floor."""
    of = each[leading(site, pump=False)]
    if not (loads_of(site, 0) and loads_of(site, 1)):
        return of
    situation = replace(of.held[0], other=each[1].held[0], together=True)
    return replace(of, held=(situation, of.held[1]), hours=quantiles(hours(situation)))


def leading(site: Site, *, pump: bool) -> int:
    """The place of the pack that the hours are told of first: that of the first pump, or of loads alone their first."""
    return 0 if pump or loads_of(site, 0) else 1


def helps_apart(held: Situation, site: Site, question: Question) -> tuple[Help, ...]:
    """What would help, at each pack that counts."""
    found: list[Help] = []
    for place, side, lasting in _sides(held, site, question):
        asked, own = asked_of(site, question, place), behind(site, place)
        draw = _draw(own, asked)
        found += [replace(one, what=_at(site, place, one.what)) for one in helps(side, own, asked, draw, lasting)]
    return tuple(found)


def what_ifs_apart(held: Situation, site: Site, question: Question, change: Change) -> tuple[WhatIf, ...]:
    """Each change by itself, at each pack that counts."""
    found: list[WhatIf] = []
    for place, side, lasting in _sides(held, site, question):
        weighed_each = what_ifs(side, behind(site, place), change, question.temperature_c, lasting)
        found += [replace(one, name=_at(site, place, one.name)) for one in weighed_each]
    return tuple(found)


def season_apart(site: Site, question: Question, mean_w: float) -> Situation:
    """The situation at a mean power of the first pump [W]. The second one counts where it is not too small."""
    first, second = (behind(site, place) for place in (0, 1))
    held = _at_mean(first, question, mean_w)
    asked = asked_of(site, question, 1)
    draw, other = _draw(first, question), _draw(second, asked)
    share = second_flow_share(site)
    if draw is None or other is None or share is None:
        return held
    duty = mean_w / draw.w.mid
    if duty >= share:
        return held
    return replace(held, other=_at_mean(second, asked, duty / share * other.w.mid))


def _at_mean(site: Site, question: Question, mean_w: float) -> Situation:
    draw = _draw(site, question)
    running = None if draw is None else draw.w
    shares = margins(site.pack, None if draw is None else draw.w.mid, question.temperature_c, question.end_of_life)
    return situation(site, question, running, shares, mean_w=mean_w)


def _draw(site: Site, question: Question) -> Draw | None:
    return running_draw(site.pump, question.running_w, question.pipe) if question.pump else None


def _with_other(held: Situation, changed: Situation, charging_wh: Array | None = None) -> Array:
    """The hours where the other pump's pack is changed, or charged."""
    return hours(replace(held, other=replace(changed, charging_wh=charging_wh)))


def _sides(held: Situation, site: Site, question: Question) -> Iterator[tuple[int, Situation, Lasting]]:
    """The place and the situation of each pack that counts, and the hours of all where that one is changed."""
    place = leading(site, pump=question.pump)
    yield place, held, hours
    if held.other is not None:
        yield 1, held.other, partial(_with_other, held)


def _kept_dry(
    site: Site, question: Question, first: Weighed, second: Weighed
) -> tuple[Finding, tuple[Step, ...], Situation]:
    """Whether the pumps keep up, with the arithmetic, and the situation that the hours follow from."""
    both, steps = can_keep_up(site, question, first.draw)
    alone, other = first.keeps[0], _second_alone(site, second.keeps[0])
    held, behind_it = first.held[0], second.held[0]
    usable = all(part[0].answer is not Answer.NO for part in (second.runs, second.starts))
    if alone.answer is Answer.NO:
        return both, steps, replace(held, other=behind_it, together=True)
    if not usable or other.answer is Answer.NO:
        return both, steps, held
    return weakest(both, _why(site, 1, other)), steps, replace(held, other=behind_it)


def _second_alone(site: Site, found: Finding) -> Finding:
    """Whether the second pump keeps up by itself; not shown where the plates do not tell both flows."""
    if second_flow_share(site) is not None or found.answer is not Answer.YES:
        return found
    why = Said("size.keep.second_unknown", why=found.why)
    return Finding(Answer.UNPROVEN, why, Said("size.settle.both_flows"))


def _both(site: Site, first: Judged, second: Judged) -> Judged:
    """The answers of both pumps as one, and the arithmetic of each under its name."""
    named = tuple(_why(site, place, part[0]) for place, part in enumerate((first, second)))
    found = weakest(*named)
    if found.answer is Answer.YES:
        found = Finding(Answer.YES, Said("size.apart.both", first=named[0].why, second=named[1].why))
    return found, (*_named(site, 0, first[1]), *_named(site, 1, second[1]))


def _why(site: Site, place: int, found: Finding) -> Finding:
    """The finding with the names of the pump and its pack before its reason."""
    pump, pack = site.pumps[place].id, site.packs[place].id
    return replace(found, why=Said("size.apart.why", pump=pump, pack=pack, why=found.why))


def _named(site: Site, place: int, steps: Iterable[Step]) -> tuple[Step, ...]:
    """Steps under the name of their pump."""
    pump = site.pumps[place].id
    return tuple(replace(step, name=Said("size.apart.of", name=pump, what=step.name)) for step in steps)


def _at(site: Site, place: int, what: str) -> Said:
    """A change under the name of the pack at which it is made."""
    return Said("size.apart.of", name=site.packs[place].id, what=what)
