"""A sizing as text: the verdict first, then the reasons, the arithmetic and the cautions."""

from __future__ import annotations

from forecaster.domain.forecast import Quantiles
from forecaster.domain.helps import Help
from forecaster.sizing.answer import Sizing
from forecaster.sizing.options import WhatIf
from forecaster.sizing.pumps import PumpOption
from forecaster.sizing.terms import Answer, Finding, Step, number, share
from forecaster.texts.catalogue import Figure, Said, Words, words


def told(sizing: Sizing, said_in: Words | None = None) -> str:
    """Plain text for a terminal, in English and metric units unless told another language and other units."""
    say = words() if said_in is None else said_in
    answers = [
        *_finding("size.told.runs", sizing.can_run, say),
        *_finding("size.told.starts", sizing.can_start, say),
        *_finding("size.told.keeps_up", sizing.can_keep_up, say),
    ]
    parts = [say.again(sizing.verdict), "", *answers, "", *_hours(sizing, say)]
    if sizing.need is not None:
        need = sizing.need
        key = "size.told.enough" if need.enough else "size.told.not_enough"
        figures = {
            "hours": number(need.hours),
            "chance": share(need.probability),
            "wh": number(need.capacity_wh),
            "described": number(need.described_wh),
        }
        parts += ["", say(key, **figures)]
    if sizing.what_ifs:
        parts += ["", say("size.told.what_if"), *(f"  {_what_if(one, say)}" for one in sizing.what_ifs)]
    if sizing.pumps:
        parts += ["", say("size.told.pumps"), *(pump_line(option, say) for option in sizing.pumps)]
        parts += [f"    {line}" for line in second_lines(sizing.pumps[1], say)]
    if sizing.packs:
        parts += ["", say("size.told.packs"), *_packs(sizing, say)]
    steps = _steps(sizing.steps, say)
    cautions = [f"  - {say.again(line)}" for line in sizing.cautions]
    parts += ["", say("size.told.arithmetic"), *steps, "", say("size.told.mind"), *cautions]
    parts += ["", say("size.told.helps"), *(f"  {help_line(one, say)}" for one in sizing.helps)]
    return "\n".join(parts)


def _what_if(one: WhatIf, say: Words) -> str:
    return f"{say.again(one.name)}: {say.again(range_h(one.hours))}{_gained(one.gained_h, say)}"


def second_lines(second: PumpOption, say: Words) -> list[str]:
    """What changes the hours while the second pump lifts all the water: what was asked about, then what would help."""
    return [*(_what_if(one, say) for one in second.what_ifs), *(help_line(one, say) for one in second.helps)]


def help_parts(one: Help, say: Words) -> tuple[str, str]:
    """One thing that would help: what it is, and the hours that it leads to with 95 % chance, with how many more."""
    lasting = Said("size.span.beyond") if one.hours_95 is None else Said("size.help.hours", hours=number(one.hours_95))
    return say.again(one.what), f"{say.again(lasting)}{_gained(one.gained_h, say)}"


def help_line(one: Help, say: Words) -> str:
    """`help_parts` in one line."""
    return ": ".join(help_parts(one, say))


def pump_line(option: PumpOption, say: Words) -> str:
    """One of two pumps as if it lifted all the water: its answers and hours."""
    answers = {"runs": option.can_run, "starts": option.can_start, "keeps": option.can_keep_up}
    said = {name: say(f"size.told.{finding.answer.value}") for name, finding in answers.items()}
    lasting = Said("size.told.no_draw") if option.hours is None else range_h(option.hours)
    return say("size.told.pump", name=option.id, **said, hours=lasting)


def _packs(sizing: Sizing, say: Words) -> list[str]:
    lines = []
    for option in sizing.packs:
        line = say(
            "size.told.pack",
            name=option.name,
            runs=say(f"size.told.{option.can_run.answer.value}"),
            starts=say(f"size.told.{option.can_start.answer.value}"),
            hours=range_h(option.hours),
        )
        price = option.price_per_hour
        lines.append(line if price is None else line + say("size.told.price", price=Figure(f"{price:.2f}")))
    return lines


def _finding(key: str, finding: Finding, say: Words) -> list[str]:
    lines = [say(key, answer=say(f"size.told.{finding.answer.value}"), why=sentence(finding.why, say))]
    if finding.answer is not Answer.YES and finding.settle is not None:
        lines.append(say("size.told.settle", how=finding.settle))
    return lines


def sentence(text: str, say: Words) -> str:
    """A reason with a capital letter and a full stop."""
    said = say.again(text)
    return f"{said[:1].upper()}{said[1:]}."


def _hours(sizing: Sizing, say: Words) -> list[str]:
    lines = [say("size.told.hours", hours=range_h(sizing.hours_remaining))]
    lines += [f"  {say.again(season.name)}: {say.again(range_h(season.hours))}" for season in sizing.seasons]
    if sizing.simple_estimate_h is not None:
        lines.append(say("size.told.simple", hours=Figure(f"{sizing.simple_estimate_h:.1f}")))
    return lines


def range_h(hours: Quantiles) -> Said:
    """Hours as "13.9 to 20.8 h, middle 17.0 h": the 10 %, 90 % and 50 % quantiles, as far as the horizon."""
    low, middle, high = (None if h is None else Figure(f"{h:.1f}") for h in (hours.p10, hours.p50, hours.p90))
    if low is None:
        return Said("size.span.beyond")
    if middle is None:
        return Said("size.range.open", low=low)
    if high is None:
        return Said("size.range.open_middle", low=low, middle=middle)
    return Said("size.range.hours", low=low, high=high, middle=middle)


def _gained(hours: float | None, say: Words) -> str:
    return "" if hours is None else f" ({say.signs(f'{hours:+.1f}')} h)"


def _steps(steps: tuple[Step, ...], say: Words) -> list[str]:
    names = [say.again(step.name) for step in steps]
    width = max(len(name) for name in names)
    return [
        f"  {name:<{width}}  {value:>7} {unit:<10} = {say.again(step.formula)}"
        for name, step in zip(names, steps, strict=True)
        for value, unit in (step.shown(say),)
    ]
