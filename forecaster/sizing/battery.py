"""How much of the nameplate capacity can be counted on, and why: cold, age, and the fast drain of lead-acid."""

from __future__ import annotations

from dataclasses import dataclass

from forecaster.domain.site import Pack
from forecaster.pack.battery import PEUKERT, RESTED, peukert_drain, temperature_factor
from forecaster.sizing.terms import Step, number
from forecaster.texts.catalogue import Measured, Said

END_OF_LIFE_SHARE = 0.8
"""A battery is replaced at 80 % of its capacity; dividing by it is the ageing factor 1.25 of IEEE 485 practice."""


@dataclass(frozen=True, slots=True)
class Margins:
    """What lowers the pack's capacity below its nameplate.

    temperature_c : float | None — where the pack stands [°C]; None: not told, no margin for cold
    age : float — share of capacity left, 0..1
    steps : tuple[Step, ...] — the arithmetic of each margin that applies
    fast_drain : float — rated Wh that one Wh costs at the running power, with rests between runs, at least 1
    """

    temperature_c: float | None
    age: float
    steps: tuple[Step, ...]
    fast_drain: float = 1.0


def margins(pack: Pack, running_w: float | None, temperature_c: float | None, end_of_life: bool) -> Margins:
    """The margins for cold and age, and what the running power costs a battery of this chemistry by Peukert.

    running_w : float | None — at the outlet [W]; None: no pump, so no cost of fast drain
    temperature_c : float | None — where the pack stands [°C]
    end_of_life : bool — take END_OF_LIFE_SHARE of the capacity
    """
    steps: list[Step] = []
    if temperature_c is not None:
        share = temperature_factor(temperature_c, pack.chemistry)
        steps.append(
            Step(
                Said("size.step.cold"),
                Said("size.from.cold", temperature=Measured(temperature_c, "°C")),
                share,
                Said("size.unit.of_nominal"),
            )
        )
    age = END_OF_LIFE_SHARE if end_of_life else 1.0
    if end_of_life:
        steps.append(Step(Said("size.step.aged"), Said("size.from.aged"), age, Said("size.unit.of_nominal")))
    cost, exponent = 1.0, PEUKERT[pack.chemistry]
    if exponent > 1.0 and running_w is not None:
        cost = max(1.0, peukert_drain(running_w, pack.nominal_wh, exponent=exponent))
        formula = Said("size.from.peukert_kind", watts=number(running_w), exponent=number(exponent))
        steps.append(Step(Said("size.step.peukert"), formula, cost, "x"))
    return Margins(temperature_c, age, tuple(steps), cost**RESTED)
