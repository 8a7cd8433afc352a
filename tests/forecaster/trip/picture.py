"""The reliability diagram of trips: how often the floor got wet, and was to be expected to, by the chance told.

`python -m tests.forecaster.trip.scored --trips 2000 | python -m tests.forecaster.trip.picture > trips.svg` draws it.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence

Row = tuple[float, float, float]
"""Chance told, share wet and its standard error, of one part of the trips; 0..1."""

LEFT, TOP, SIDE = 70.0, 40.0, 360.0
LEAST, MOST = 0.001, 0.3
TICKS = (0.001, 0.003, 0.01, 0.03, 0.1, 0.3)
CAME, EXPECTED = "#0b6e99", "#2f8f5b"


def rows_of(printed: str) -> tuple[list[Row], list[Row]]:
    """The two tables of `scored.tables`: what came, and what was to be expected."""
    came, _, rest = printed.partition("by reckoning:")
    return _rows(came), _rows(rest)


def _rows(printed: str) -> list[Row]:
    found = []
    for line in printed.splitlines():
        cells = [cell.strip() for cell in line.strip("| ").split("|")]
        if len(cells) == 4 and cells[1].endswith("%"):
            told, wet, error = (float(cell.rstrip("%")) / 100.0 for cell in cells[1:])
            found.append((told, wet, error))
    return found


def diagram(came: Sequence[Row], expected: Sequence[Row]) -> str:
    """The diagram as SVG: logarithmic both ways, a standard error either way; what came true lies on the diagonal."""
    parts = [
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 640 460" font-family="system-ui, sans-serif" '
        'font-size="12" role="img" aria-label="Share of trips with a wet floor by the chance told, in eighths">',
        '<rect width="640" height="460" fill="#ffffff"/>',
        f'<rect x="{LEFT}" y="{TOP}" width="{SIDE}" height="{SIDE}" fill="none" stroke="#bbbbbb"/>',
        f'<line x1="{LEFT}" y1="{TOP + SIDE}" x2="{LEFT + SIDE}" y2="{TOP}" stroke="#bbbbbb" stroke-dasharray="4 4"/>',
        *(part for tick in TICKS for part in _tick(tick)),
        _text(LEFT + SIDE / 2.0, TOP + SIDE + 40.0, "chance told", "#333333", "middle"),
        _text(LEFT, TOP - 14.0, "floor wet, share of an eighth of the trips", "#333333"),
        *_marks(came, CAME, 5.0, -3.0),
        *_marks(expected, EXPECTED, 3.0, 3.0),
        _text(LEFT + SIDE + 20.0, TOP + 20.0, "came", CAME),
        _text(LEFT + SIDE + 20.0, TOP + 38.0, "to be expected", EXPECTED),
        _text(LEFT + SIDE + 20.0, TOP + 56.0, "at the foot: none came", "#333333"),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _at(share: float) -> float:
    """The place of a share along either axis, 0..1."""
    return math.log(min(max(share, LEAST), MOST) / LEAST) / math.log(MOST / LEAST)


def _tick(share: float) -> tuple[str, str]:
    return (
        _text(LEFT + SIDE * _at(share), TOP + SIDE + 18.0, f"{100.0 * share:g} %", "#333333", "middle"),
        _text(LEFT - 8.0, TOP + SIDE * (1.0 - _at(share)) + 4.0, f"{100.0 * share:g} %", "#333333", "end"),
    )


def _marks(rows: Sequence[Row], colour: str, radius: float, aside: float) -> list[str]:
    parts = []
    for told, wet, error in rows:
        x = LEFT + SIDE * _at(told) + aside
        y, low, high = (TOP + SIDE * (1.0 - _at(share)) for share in (wet, wet - error, wet + error))
        parts.append(f'<line x1="{x:.1f}" y1="{low:.1f}" x2="{x:.1f}" y2="{high:.1f}" stroke="{colour}"/>')
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius}" fill="{colour}"/>')
    return parts


def _text(x: float, y: float, words: str, colour: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}">{words}</text>'


if __name__ == "__main__":
    sys.stdout.write(diagram(*rows_of(sys.stdin.read())))
