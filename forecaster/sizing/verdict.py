"""The verdict: all parts must hold, so the weakest of them decides."""

from __future__ import annotations

from forecaster.domain.forecast import Quantiles
from forecaster.sizing.options import Need
from forecaster.sizing.terms import Answer, Finding, number, share
from forecaster.texts.catalogue import Figure, Said


def can_last(need: Need | None) -> Finding | None:
    """Whether the described capacity lasts the hours asked for with the chance asked for; None: none were asked for."""
    if need is None:
        return None
    figures = {
        "hours": number(need.hours),
        "chance": share(need.probability),
        "wh": number(need.capacity_wh),
        "described": number(need.described_wh),
    }
    if need.enough:
        return Finding(Answer.YES, Said("size.last.enough", **figures))
    return Finding(Answer.NO, Said("size.last.short", **figures), Said("size.settle.more_capacity"))


def verdict(
    runs: Finding,
    starts: Finding,
    keeps: Finding,
    lasts: Finding | None,
    lasting: Quantiles,
    reserve: float,
    pump: bool,
) -> str:
    """One sentence: the first part that is a no; else what is unproven, or yes, with the hours.

    lasts : Finding | None — None: no hours were asked for
    lasting : Quantiles — hours to the reserve floor [h]
    reserve : float — reserve floor [%]
    pump : bool — False: the other loads alone
    """
    thing = Said("size.what.pump" if pump else "size.what.loads")
    parts = {"run": runs, "start": starts, "keep_up": keeps, **({"last": lasts} if lasts else {})}
    for name, finding in parts.items():
        if finding.answer is Answer.NO:
            return Said(f"size.verdict.no_{name}", thing=thing)
    span, floor = _span(lasting), Figure(f"{reserve:g}")
    doubts = [name for name, finding in parts.items() if finding.answer is Answer.UNPROVEN]
    if not doubts:
        return Said("size.verdict.yes", thing=thing, span=span, reserve=floor)
    lead = "_".join(name for name in doubts if name != "keep_up") or "keep_up"
    return Said(f"size.verdict.unproven_{lead}", thing=thing, span=span, reserve=floor)


def _span(lasting: Quantiles) -> str:
    if lasting.p10 is None:
        return Said("size.span.beyond")
    if lasting.p50 is None or lasting.p90 is None:
        return Said("size.span.open", low=number(lasting.p10))
    return Said("size.span.hours", low=number(lasting.p10), high=number(lasting.p90), middle=number(lasting.p50))
