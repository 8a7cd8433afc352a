"""The sizing page: the same question and arithmetic as `outlast size`, asked by a form."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from api.offline.sizing_inputs import observed_start, record, site_of, sleeps
from api.pages.contexts import DataTable, Fact
from api.pages.formcontexts import SizingContext
from api.pages.formunits import from_shown, label, to_shown
from api.pages.ports import PagePorts
from api.pages.siteform import PLATE_UNITS, content_of, number_in, sections, values_of
from forecaster.domain.errors import ConfigError, UsageError
from forecaster.domain.site import Site, Units
from forecaster.sizing.answer import Sizing, size
from forecaster.sizing.cord import Cord
from forecaster.sizing.one_a_pump import behind, with_first_pack
from forecaster.sizing.options import Change
from forecaster.sizing.question import Question
from forecaster.sizing.terms import Finding, number
from forecaster.sizing.told import help_parts, pump_line, range_h, second_lines, sentence
from forecaster.texts.catalogue import Said, Words
from forecaster.texts.failures import failure

ASKED: tuple[tuple[str, str], ...] = (
    ("cycles_per_hour", "1/hour"),
    ("run_s", "s"),
    ("running_w", "W"),
    ("charge_percent", "percent"),
    ("cord_awg", ""),
    ("cord_length_m", "m"),
    ("temperature_c", "degC"),
    ("for_hours", "h"),
    ("extra_wh", "Wh"),
    ("sun_w", "W"),
    ("generator_h", "h"),
)
FIELDS = {**PLATE_UNITS, **dict(ASKED)}
"""The unit of each field of the form in pint's spelling, by its name."""

ASKED_IN = "asked_in"
"""The hidden field that says in which units the form was shown; a link without it means those of the site file."""


def sizing_page(ports: PagePorts, site: Site | None, form: Mapping[str, str], words: Words) -> SizingContext:
    """The form with its values and, once it was sent, the answer or a line on what is wrong."""
    words = words if site is None else words.of_site(site)
    known = {**plates_of(site), **defaults(ports, site)}
    asked_in = Units.US if form.get(ASKED_IN) == Units.US else Units.METRIC
    given = {key: value for key, value in form.items() if value.strip() and key != ASKED_IN} if form else known
    meant = from_shown(given, FIELDS, asked_in)
    values = given if asked_in is words.units else to_shown(meant, FIELDS, words.units)
    answer: Sizing | None = None
    problem = ""
    if form or site is not None:
        try:
            answer = answered(ports, site, meant)
        except (UsageError, ConfigError) as error:
            problem = failure(error, words)
    return SizingContext(
        sections=sections(values, words, units=words.units),
        asked=tuple(
            (key, words(f"sizing.{key}"), label(key, unit, words.units), values.get(key, "")) for key, unit in ASKED
        ),
        asked_in=(words.units or Units.METRIC).value,
        end_of_life=form.get("end_of_life") == "yes",
        problem=problem,
        verdict="" if answer is None else words.again(answer.verdict),
        findings=() if answer is None else findings(answer, words),
        hours=() if answer is None else hours_facts(answer, words),
        options=() if answer is None else what_ifs(answer, words),
        steps=None if answer is None else steps_table(answer, words),
        cautions=() if answer is None else tuple(words.again(line) for line in answer.cautions),
    )


def plates_of(site: Site | None) -> dict[str, str]:
    """Initial values of pump, pit and pack: the site's, and where each pump has its own pack, those of the first."""
    if site is None:
        return {}
    return values_of(behind(site, 0) if site.pack_a_pump else site)


def defaults(ports: PagePorts, site: Site | None) -> dict[str, str]:
    """Initial values of the form: the present rhythm of the site."""
    forecast = ports.forecast(site.id) if site is not None else None
    if forecast is None or forecast.cycles_per_hour is None or forecast.run_s is None:
        return {}
    if forecast.cycles_per_hour <= 0 or forecast.run_s <= 0:
        return {}
    return {"cycles_per_hour": f"{forecast.cycles_per_hour:.3g}", "run_s": f"{forecast.run_s:.3g}"}


def answered(ports: PagePorts, site: Site | None, values: Mapping[str, str]) -> Sizing:
    """The answer to what the form asks. UsageError or ConfigError in one line."""
    described = site_of(content_of(values), "", pump=True)
    if site is not None:
        described = described_of(site, described)
    given = {key: number_in(values[key], unit, key) for key, unit in ASKED if values.get(key, "").strip()}
    question = Question(
        cycles_per_hour=given.get("cycles_per_hour"),
        run_s=given.get("run_s"),
        running_w=given.get("running_w"),
        charge_percent=given.get("charge_percent", 100.0),
        cord=cord_of(given),
        temperature_c=given.get("temperature_c"),
        end_of_life=values.get("end_of_life") == "yes",
        for_hours=given.get("for_hours"),
        **(seen(ports, site) if site is not None else {}),
    )
    change = Change(
        extra_wh=given.get("extra_wh"),
        sun_w=given.get("sun_w"),
        generator_h=given.get("generator_h"),
        start_ms=ports.clock.now_ms(),
    )
    return size(described, question, change)


def described_of(site: Site, form: Site) -> Site:
    """The site with the first pump, its pit and the pack of the form; where each pump has its own, that of the first.

    form : Site — with what the form describes, and nothing else
    """
    pumps = (replace(site.pumps[0], pump=form.pump), *site.pumps[1:]) if site.pumps else ()
    whole = replace(form, id=site.id, loads=site.loads, pumps=pumps, latitude=site.latitude, longitude=site.longitude)
    if not site.pack_a_pump:
        return whole
    return with_first_pack(replace(whole, packs=site.packs, arrangement=site.arrangement), form.pack)


def seen(ports: PagePorts, site: Site) -> dict[str, Any]:
    """What this installation has recorded of the site: inflow, starts and sleeps on the pack."""
    return {
        "record": record(ports.ledger, site, ports.clock.now_ms()),
        "observed_start": observed_start(ports.ledger, site.id),
        "sleeps_on_low_load": sleeps(ports.ledger, site.id),
    }


def cord_of(given: Mapping[str, float]) -> Cord | None:
    """The extension cord, if both of its fields are filled in."""
    awg, length_m = given.get("cord_awg"), given.get("cord_length_m")
    if awg is None and length_m is None:
        return None
    if awg is None or length_m is None:
        raise UsageError(Said("usage.a_cord_needs_both_its_gauge"), Said("usage.fill_both_fields_or_neither"))
    return Cord(round(awg), length_m)


def findings(answer: Sizing, words: Words) -> tuple[Fact, ...]:
    """Whether the pump runs, starts and keeps up, each with the reason and what would settle it."""

    def said(finding: Finding) -> str:
        settle = words("sizing.settle", how=finding.settle) if finding.settle else ""
        return f"{sentence(finding.why, words)} {settle}".strip()

    return (
        Fact(words("sizing.runs"), words(f"sizing.{answer.can_run.answer.value}"), said(answer.can_run)),
        Fact(words("sizing.starts"), words(f"sizing.{answer.can_start.answer.value}"), said(answer.can_start)),
        Fact(words("sizing.keeps_up"), words(f"sizing.{answer.can_keep_up.answer.value}"), said(answer.can_keep_up)),
    )


def hours_facts(answer: Sizing, words: Words) -> tuple[Fact, ...]:
    """Hours to the reserve floor, by season, and the simple estimate beside them."""
    found = [Fact(words("sizing.hours"), words.again(range_h(answer.hours_remaining)))]
    for season in answer.seasons:
        name = words.again(season.name)
        found.append(Fact(f"{name[:1].upper()}{name[1:]}", words.again(range_h(season.hours))))
    if answer.simple_estimate_h is not None:
        found.append(
            Fact(
                words("sizing.simple"),
                words("wording.hours", n=words.number(answer.simple_estimate_h, 1)),
                words("sizing.simple_note"),
            )
        )
    if answer.need is not None:
        need = answer.need
        enough = words("sizing.enough" if need.enough else "sizing.not_enough", wh=number(need.described_wh))
        said = words("sizing.need_says", wh=number(need.capacity_wh))
        found.append(Fact(words("sizing.need", hours=number(need.hours)), said, enough))
    lines = (pump_line(one, words).strip().partition(": ") for one in answer.pumps)
    found += [Fact(words("now.pump_one", pump=name), said) for name, _, said in lines]
    return tuple(found)


def what_ifs(answer: Sizing, words: Words) -> tuple[Fact, ...]:
    """The hours with each change alone: the requested changes, then those that would help."""
    asked = tuple(Fact(words.again(w.name), words.again(range_h(w.hours))) for w in answer.what_ifs)
    helping = tuple(Fact(*help_parts(one, words)) for one in answer.helps)
    second = [line.partition(": ") for one in answer.pumps[1:] for line in second_lines(one, words)]
    by_second = (Fact(words("sizing.by_pump", pump=answer.pumps[1].id, what=what), hours) for what, _, hours in second)
    return (*asked, *helping, *by_second)


def steps_table(answer: Sizing, words: Words) -> DataTable:
    """Each line of the arithmetic."""
    head = tuple(words(f"sizing.step_{key}") for key in ("name", "value", "formula"))
    rows = tuple(
        (
            words.again(step.name),
            " ".join(step.shown(words)).strip(),
            words.again(step.formula),
        )
        for step in answer.steps
    )
    return DataTable(words("sizing.steps"), head, rows)
