"""The usual safety advice of this trade, given where it applies. Local code and licensed electricians go first."""

from __future__ import annotations

from forecaster.domain.site import Driven, Site
from forecaster.sizing.question import Question
from forecaster.sizing.starting import Inrush
from forecaster.sizing.terms import Answer, Finding, number
from forecaster.texts.catalogue import Measured, Said


def _cord(question: Question) -> list[str]:
    if question.cord is None:
        return [Said("size.caution.cord_advice")]
    cord = question.cord
    return [Said("size.caution.cord", awg=cord.awg, amps=number(cord.ampacity_a))]


def _cold(site: Site, question: Question) -> list[str]:
    said: list[str] = []
    if not site.pack.chemistry.is_lithium:
        said.append(Said("size.caution.hydrogen"))
        if site.pack.reserve_percent < 50:
            said.append(Said("size.caution.half"))
    elif question.temperature_c is not None and question.temperature_c <= 5.0:
        said.append(Said("size.caution.lithium_cold", freezing=Measured(0.0, "°C")))
    return said


def cautions(site: Site, question: Question, start: Finding, found: Inrush | None, generator: bool) -> tuple[str, ...]:
    """What to mind, the most particular first and what holds for everyone last.

    start : Finding — whether the pump starts
    found : Inrush | None — the starting current and what it rests on; None: not known
    generator : bool — whether a generator is among the changes asked about
    """
    said: list[str] = []
    if question.pump:
        if start.answer is not Answer.YES:
            said.append(Said("size.caution.live"))
        if found is not None and found.rule:
            said.append(Said("size.caution.rule"))
        if question.sleeps_on_low_load is None:
            said.append(Said("size.caution.sleep_unknown"))
        elif question.sleeps_on_low_load:
            said.append(Said("size.caution.sleep_seen"))
        pump_v, pack_v = site.pump.rated_voltage_v, site.pack.output_voltage_v
        if pump_v is not None and pack_v is not None and abs(pack_v - pump_v) > 0.1 * pump_v:
            said.append(Said("size.caution.voltage_off"))
        if None in (site.pump.rated_frequency_hz, site.pack.output_frequency_hz, site.pack.output_wave):
            said.append(Said("size.caution.kind"))
        said += _cord(question)
    if site.second_pump is not None and question.pump:
        said.append(Said("size.caution.second_pump"))
        if site.second_pump.driven_by is Driven.WATER_PRESSURE:
            said.append(Said("size.caution.water_pressure"))
    if site.packs:
        said.append(Said("size.caution.apart" if site.pack_a_pump else "size.caution.packs"))
    said += _cold(site, question)
    if generator:
        said.append(Said("size.caution.generator"))
    said += [
        Said("size.caution.gfci"),
        Said("size.caution.water"),
        Said("size.caution.pack_place"),
        Said("size.caution.rehearse"),
        Said("size.caution.not_life_safety"),
        Said("size.caution.electrician"),
    ]
    return tuple(said)
