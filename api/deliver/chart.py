"""A picture of the hours ahead for a mail: a table of bars, which every mail program shows, with no image to load."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from typing import Any

from forecaster.engine.document import time_ms
from forecaster.texts.wording import Wording

ROWS = 12
WIDTH_PX = 240
SURE, LIKELY = 0.9, 0.5
COLOURS = ("#2e7d32", "#b26a00", "#b3261e")


@dataclass(frozen=True, slots=True)
class Bar:
    """The chance, 0..1, that the pack is still above its floor at a time."""

    at_ms: int
    chance: float


def bars(document: Mapping[str, Any], rows: int = ROWS) -> list[Bar]:
    """Evenly spaced points of the survival curve, from now until it has practically reached zero."""
    curve = [
        Bar(time_ms(point["at"]), float(point["probability"]))
        for point in document.get("survival") or []
        if point.get("probability") is not None
    ]
    end = next((index + 1 for index, bar in enumerate(curve) if bar.chance < 0.02), len(curve))
    curve = curve[:end]
    if len(curve) <= rows:
        return curve
    return [curve[round(index * (len(curve) - 1) / (rows - 1))] for index in range(rows)]


def colour(chance: float) -> str:
    """The colour of a chance: green for nearly certain, amber for likely, red below."""
    return COLOURS[0] if chance >= SURE else COLOURS[1] if chance >= LIKELY else COLOURS[2]


def chart_html(shown: list[Bar], wording: Wording, now_ms: int) -> str:
    """The bars as an HTML table, each with its figures as text; empty without bars."""
    if not shown:
        return ""
    rows = []
    for bar in shown:
        width = max(1, round(bar.chance * WIDTH_PX))
        said = wording.percent(100.0 * bar.chance)
        rows.append(
            f'<tr><td style="padding:2px 8px 2px 0;white-space:nowrap">{escape(wording.clock(bar.at_ms, now_ms))}</td>'
            f'<td style="width:{WIDTH_PX}px"><div style="width:{width}px;height:12px;background:{colour(bar.chance)}">'
            f'</div></td><td style="padding-left:8px;text-align:right">{escape(said)}</td></tr>'
        )
    return (
        '<table role="presentation" cellspacing="0" cellpadding="0" style="font-size:14px">'
        f'<caption style="text-align:left;padding:8px 0">{escape(wording.words("mail.chart"))}</caption>'
        f"{''.join(rows)}</table>"
    )


def chart_text(shown: list[Bar], wording: Wording, now_ms: int) -> str:
    """The bars as plain text; empty without bars."""
    lines = []
    for bar in shown:
        mark = "#" * round(bar.chance * 20)
        said = wording.percent(100.0 * bar.chance)
        lines.append(f"{wording.clock(bar.at_ms, now_ms):>16}  {mark:<20}  {said}")
    return "\n".join([wording.words("mail.chart") + ":", *lines]) if lines else ""
