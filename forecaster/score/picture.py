"""The picture of a score report: SVG, self-contained, readable on light and dark pages."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.score.cases import HEADLINE_PERCENT
from forecaster.score.metrics import pit
from forecaster.score.report import ScoreReport
from forecaster.score.rolling import ENGINE, ORACLE, Scored

WIDTH, HEIGHT = 900.0, 420.0
COLOURS = {ENGINE: "#0b6e99", ORACLE: "#2f8f5b"}
OTHERS = ("#b5651d", "#8a5a9e", "#c2447e", "#7a7a2e", "#b03a2e", "#5d6d7e", "#996515")
FLOOR_ERROR, CEILING_ERROR = 0.005, 5.0


def picture(report: ScoreReport, rows: Sequence[Scored]) -> str:
    """The picture as SVG text.

    Left: median relative error by charge on a logarithmic scale, one line a forecaster. Right: the share of outcomes
    below each level of the engine's and the oracle's forecasts; a calibrated forecast lies on the diagonal.
    """
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" '
        'font-family="system-ui, sans-serif" font-size="12" role="img" '
        f'aria-label="{escape(_in_words(report))}">',
        f'<rect width="{WIDTH:.0f}" height="{HEIGHT:.0f}" fill="#ffffff"/>',
        *_errors(report),
        *_reliability(rows),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _in_words(report: ScoreReport) -> str:
    figures = report.headline[ENGINE]
    error = "" if figures.median_error is None else f", median error {100 * figures.median_error:.1f} per cent"
    return f"{report.outages} outages{error}, the 10-90 per cent range held {100 * figures.coverage:.0f} per cent"


def _text(x: float, y: float, words: str, *, anchor: str = "start", fill: str = "#333333", weight: str = "") -> str:
    bold = f' font-weight="{weight}"' if weight else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{fill}"{bold}>{escape(words)}</text>'


def _line(points: Sequence[tuple[float, float]], colour: str, width: float = 1.0, dash: str = "") -> str:
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="{width}"{dashed}/>'


def _error_y(error: float) -> float:
    low, high = math.log(FLOOR_ERROR), math.log(CEILING_ERROR)
    share = (math.log(min(max(error, FLOOR_ERROR), CEILING_ERROR)) - low) / (high - low)
    return 360.0 - 290.0 * share


def _errors(report: ScoreReport) -> list[str]:
    left, right = 60.0, 360.0
    places = {percent: left + 20.0 + (right - left - 40.0) * k / (len(HEADLINE_PERCENT) - 1)
              for k, percent in enumerate(HEADLINE_PERCENT)}  # fmt: skip
    parts = [_text(20.0, 28.0, "Median relative error of the hours remaining, by charge", weight="600")]
    for error in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0):
        y = _error_y(error)
        parts.append(_line([(left, y), (right, y)], "#dddddd"))
        parts.append(_text(left - 6.0, y + 4.0, f"{100 * error:g} %", anchor="end"))
    parts += [_text(x, 380.0, f"{percent:.0f} %", anchor="middle") for percent, x in places.items()]
    ends: list[tuple[float, str, str]] = []
    others = iter(OTHERS * 3)
    for name in report.headline:
        colour = COLOURS.get(name) or next(others)
        points = []
        for percent, x in places.items():
            figures = report.by_percent.get(f"{percent:.0f}", {}).get(name)
            if figures is not None and figures.median_error is not None:
                points.append((x, _error_y(figures.median_error)))
        if not points:
            continue
        thick = 3.0 if name == ENGINE else 1.5
        parts.append(_line(points, colour, thick))
        parts += [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{thick:.1f}" fill="{colour}"/>' for x, y in points]
        ends.append((points[-1][1], name, colour))
    return parts + _labels(ends, right - 12.0)


def _labels(ends: list[tuple[float, str, str]], x: float) -> list[str]:
    """Names beside the ends of their lines, pushed apart so that none covers another."""
    parts, last = [], -math.inf
    for y, name, colour in sorted(ends):
        last = max(y, last + 15.0)
        parts.append(_text(x, last + 4.0, name, fill=colour, weight="600" if name == ENGINE else ""))
    return parts


def _reliability(rows: Sequence[Scored]) -> list[str]:
    left, top, side = 600.0, 70.0, 270.0
    parts = [
        _text(left - 40.0, 28.0, "Calibration: share of outcomes below each level", weight="600"),
        f'<rect x="{left}" y="{top}" width="{side}" height="{side}" fill="none" stroke="#bbbbbb"/>',
        _line([(left, top + side), (left + side, top)], "#bbbbbb", dash="4 4"),
    ]
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        parts.append(_text(left + side * share, top + side + 18.0, f"{100 * share:.0f} %", anchor="middle"))
        parts.append(_text(left - 6.0, top + side * (1.0 - share) + 4.0, f"{100 * share:.0f} %", anchor="end"))
    parts.append(_text(left + side / 2.0, top + side + 38.0, "level said", anchor="middle"))
    for name in (ORACLE, ENGINE):
        pits = _pits([row for row in rows if row.forecaster == name])
        if pits:
            points = [
                (left + side * p, top + side * (1.0 - sum(x <= p for x in pits) / len(pits)))
                for p in (k / 40.0 for k in range(41))
            ]
            parts.append(_line(points, COLOURS[name], 3.0 if name == ENGINE else 1.5))
    return parts


def _pits(rows: Sequence[Scored]) -> list[float]:
    """Probability integral transforms of all rows, 0..1; censored ones are spread evenly over what is left above."""
    golden = 0.6180339887
    return [pit(_array(row), row.outcome, (k * golden) % 1.0) for k, row in enumerate(rows)]


def _array(row: Scored) -> Array:
    return np.asarray(row.quantiles)
