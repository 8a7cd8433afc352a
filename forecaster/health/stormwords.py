"""The storm margin in words: the worst on record, what is to be expected, what it rests on, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from forecaster.texts.catalogue import Figure, Said

TOLD_YEARS = 10.0
"""Of the return periods the one nearest to this is told in words [years]."""


@dataclass(frozen=True, slots=True)
class StormSaid:
    """What is to be said.

    worst_hour, worst_six_hours : float | None — on record, as shares of what the pump lifts; at_least : bool
    days : int — on record
    levels, six_levels : levels of the document, by worst hour and by worst six hours
    own_levels : those of the worst hour by the record alone
    has_table : bool — whether the owner has typed a rain table
    storms : int | None — how many storms taught the pit's answer to rain; None: the table was not used
    """

    worst_hour: float | None
    worst_six_hours: float | None
    at_least: bool
    days: int
    levels: Sequence[dict[str, Any]]
    six_levels: Sequence[dict[str, Any]]
    own_levels: Sequence[dict[str, Any]]
    has_table: bool
    storms: int | None


def storm_words(of: StormSaid) -> tuple[str, str]:
    """What is said, and what to do."""
    parts = [*_on_record(of), *_ahead(of)]
    if of.has_table and of.storms is None:
        parts.append(Said("storm.table-unused"))
    says = parts[0]
    for part in parts[1:]:
        says = Said("health.and", first=says, then=part)
    if not of.levels:
        return says, Said("storm.unknown.do" if of.worst_hour is None else "storm.young.do")
    most = [_told(levels)["of_pump"] for levels in (of.levels, of.six_levels) if levels]
    over, near = (any(level[point] >= 1.0 for level in most) for point in ("p50", "p90"))
    return says, Said(f"storm.{'over' if over else 'near' if near else 'below'}.do")


def _on_record(of: StormSaid) -> list[str]:
    if of.worst_hour is None:
        return [Said("storm.unknown")]
    young = [Said("storm.young", n=of.days)] if of.days < 365 else []
    key = "at-least" if of.at_least else "worst"
    return [*young, Said(f"storm.{key}", hour=_percent(of.worst_hour), six=_percent(of.worst_six_hours or 0.0))]


def _ahead(of: StormSaid) -> list[str]:
    if not of.levels:
        return []
    told = _told(of.levels)
    parts: list[str] = [Said("storm.ahead", years=round(told["years"]), **_range(told))]
    if told["minutes_to_floor"] is not None:
        parts.append(Said("storm.wet", minutes=Figure(f"{told['minutes_to_floor']:.0f}")))
    if of.six_levels:
        parts.append(Said("storm.ahead-six", **_range(_told(of.six_levels))))
    if of.storms is not None:
        parts.append(Said("storm.by-table", n=of.storms))
        parts += [
            Said("storm.own", **_range(level)) for level in of.own_levels if level["years"] == told["years"]
        ]  # fmt: skip
    return parts


def _told(levels: Sequence[dict[str, Any]]) -> dict[str, Any]:
    return min(levels, key=lambda level: abs(float(level["years"]) - TOLD_YEARS))


def _range(level: dict[str, Any]) -> dict[str, str]:
    of_pump = level["of_pump"]
    return {name: _percent(of_pump[point]) for name, point in (("low", "p10"), ("middle", "p50"), ("high", "p90"))}


def _percent(share: float) -> str:
    return Figure(f"{share:.0%}")
