"""The usual cautions of this trade, told when they apply. They defer to local code and to licensed practice."""

from __future__ import annotations

from forecaster.domain.site import Chemistry, Site
from forecaster.sizing.question import Question
from forecaster.sizing.starting import Inrush
from forecaster.sizing.terms import Answer, Finding, number

NOT_LIFE_SAFETY = (
    "This is an estimate and can be wrong. It is not a life-safety device and does not replace a high-water alarm."
)
ELECTRICIAN = "Local code rules; ask a licensed electrician or plumber where wiring or piping is changed."
GFCI = (
    "A pump on a ground-fault protected outlet can be cut off by a nuisance trip, and from the pump's side that looks "
    "like an outage: test the protection and the alarm, never bypass it."
)
WATER = "Treat water in a flooded basement as live: never stand in it to touch pack, cord or pump."
PACK_PLACE = "Keep the pack above flood level, dry and ventilated, and plug the pump in without a power strip."
REHEARSE = (
    "Rehearse on the pack with the real cord at least once a year, before the wet season: a discharge test tells what "
    "no label does."
)
SLEEP_UNKNOWN = (
    "Many packs switch their output off when little is drawn for a while, as between two runs of a pump: set it to "
    "stay on, and let a rehearsal show that it does."
)
SLEEP_SEEN = "The output of this pack was seen to fall asleep between runs: set it to stay on before relying on it."
GENERATOR = "Run a generator outdoors only, 20 ft (6 m) or more from the house, exhaust away; never backfeed the house."
VOLTAGE_OFF = "Pump and pack are more than 10 % apart in voltage, outside what a motor is built to take (NEMA MG 1)."


def _cord(question: Question) -> list[str]:
    if question.cord is None:
        return ["A long or thin extension cord takes voltage just when the pump starts: size it too, or use none."]
    cord = question.cord
    return [
        f"Lay the {cord.awg} AWG cord uncoiled, dry, away from the water; it may carry {number(cord.ampacity_a)} A."
    ]


def _cold(site: Site, question: Question) -> list[str]:
    said = []
    if site.pack.chemistry is Chemistry.LEAD_ACID:
        said.append("A lead-acid battery gives off hydrogen while charging: ventilate, and keep sparks away.")
        if site.pack.reserve_percent < 50:
            said.append("Draining a lead-acid battery below half shortens its life: a reserve of 50 % is usual.")
    elif question.temperature_c is not None and question.temperature_c <= 5.0:
        said.append("A lithium battery must not be charged below 0 °C.")
    return said


def cautions(site: Site, question: Question, start: Finding, found: Inrush | None, generator: bool) -> tuple[str, ...]:
    """What to mind, most particular first."""
    said: list[str] = []
    if question.pump:
        if start.answer is not Answer.YES:
            said.append("Only a live start settles whether the pump starts: try it with the water up, in good time.")
        if found is not None and found.rule:
            said.append(
                "The starting current is a rule of thumb: a locked-rotor letter or current on the plate is better."
            )
        if question.sleeps_on_low_load is None:
            said.append(SLEEP_UNKNOWN)
        elif question.sleeps_on_low_load:
            said.append(SLEEP_SEEN)
        pump_v, pack_v = site.pump.rated_voltage_v, site.pack.output_voltage_v
        if pump_v is not None and pack_v is not None and abs(pack_v - pump_v) > 0.1 * pump_v:
            said.append(VOLTAGE_OFF)
        said += _cord(question)
    said += _cold(site, question)
    if generator:
        said.append(GENERATOR)
    said += [GFCI, WATER, PACK_PLACE, REHEARSE, NOT_LIFE_SAFETY, ELECTRICIAN]
    return tuple(said)
