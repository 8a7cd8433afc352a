"""A sizing as text: the verdict first, then the reasons, the arithmetic and the cautions."""

from __future__ import annotations

from forecaster.domain.forecast import Quantiles
from forecaster.sizing.answer import Sizing
from forecaster.sizing.terms import Answer, Finding, Step, number


def told(sizing: Sizing) -> str:
    """Plain text for a terminal."""
    answers = [*_finding("Runs", sizing.can_run), *_finding("Starts", sizing.can_start)]
    parts = [sizing.verdict, "", *answers, "", *_hours(sizing)]
    if sizing.need is not None:
        need = sizing.need
        said = "is" if need.enough else "is not"
        parts += [
            "",
            f"To last {number(need.hours)} h with {need.probability:.0%}: {number(need.capacity_wh)} Wh of nameplate "
            f"capacity; {number(need.described_wh)} Wh {said} enough.",
        ]
    if sizing.what_ifs:
        parts += ["", "What if"]
        parts += [f"  {w.name}: {range_h(w.hours)}{_gained(w.gained_h)}" for w in sizing.what_ifs]
    if sizing.packs:
        parts += ["", "Side by side"]
        for option in sizing.packs:
            price = f", {option.price_per_hour:.2f} per hour" if option.price_per_hour is not None else ""
            verdicts = f"runs {option.can_run.answer.value}, starts {option.can_start.answer.value}"
            parts.append(f"  {option.name}: {verdicts}, {range_h(option.hours)}{price}")
    parts += ["", "The arithmetic", *_steps(sizing.steps), "", "Mind", *(f"  - {line}" for line in sizing.cautions)]
    return "\n".join(parts)


def _finding(name: str, finding: Finding) -> list[str]:
    lines = [f"{name}: {finding.answer.value}. {finding.why[:1].upper()}{finding.why[1:]}."]
    if finding.answer is not Answer.YES and finding.settle is not None:
        lines.append(f"  To settle it: {finding.settle}.")
    return lines


def _hours(sizing: Sizing) -> list[str]:
    lines = [f"Hours to the reserve floor: {range_h(sizing.hours_remaining)}"]
    lines += [f"  {season.name}: {range_h(season.hours)}" for season in sizing.seasons]
    if sizing.simple_estimate_h is not None:
        lines.append(f"Simple estimate, capacity over pump energy and nothing else: {sizing.simple_estimate_h:.1f} h")
    return lines


def range_h(hours: Quantiles) -> str:
    """Hours as "13.9 to 20.8 h, middle 17.0 h"."""
    if hours.p10 is None:
        return "more than two weeks"
    if hours.p50 is None:
        return f"{hours.p10:.1f} h or more"
    if hours.p90 is None:
        return f"{hours.p10:.1f} h or more, middle {hours.p50:.1f} h"
    return f"{hours.p10:.1f} to {hours.p90:.1f} h, middle {hours.p50:.1f} h"


def _gained(hours: float | None) -> str:
    return "" if hours is None else f" ({hours:+.1f} h)"


def _steps(steps: tuple[Step, ...]) -> list[str]:
    width = max(len(step.name) for step in steps)
    return [f"  {step.name:<{width}}  {step.figure:>7} {step.unit:<10} = {step.formula}" for step in steps]
