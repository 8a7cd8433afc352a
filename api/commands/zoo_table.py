"""The zoo's report as text: a plain table for a terminal, or Markdown."""

from __future__ import annotations

from api.commands.score_table import grid, percent
from forecaster.score.zoo_report import ZooFigures, ZooReport

HEAD = (
    "", "n", "gross", "10-90 % holds", "95 % interval", "lowest quarter", "width", "median", "slope",
    "mains-lost", "late", "flips", "cleared", "lead", "false/y",
)  # fmt: skip
MOST_REASONS = 4


def zoo_table(report: ZooReport, *, markdown: bool = False) -> str:
    """A line a row, the pools, and what `degraded` said of each row."""
    head = grid([HEAD, *(_row(name, figures) for name, figures in report.rows.items())], markdown)
    pools = grid([HEAD, *(_row(name, figures) for name, figures in report.pooled.items())], markdown)
    return "\n\n".join([head, pools, _said(report, markdown)])


def _row(name: str, f: ZooFigures) -> tuple[str, ...]:
    return (
        name,
        str(f.forecasts),
        percent(f.gross),
        percent(f.coverage),
        f"{100.0 * f.coverage_low:.0f}-{100.0 * f.coverage_high:.0f} %",
        percent(f.low_quarter),
        f"{f.width:.2f}",
        percent(f.median_error),
        percent(f.slope_error),
        "never" if f.lost_s is None else f"{f.lost_s[0]:.0f} to {f.lost_s[1]:.0f} s",
        f"{f.late + f.never} of {f.outages}",
        str(f.most_flips),
        str(f.cleared),
        "none" if f.least_lead_h is None else f"{f.least_lead_h:.1f} h",
        f"{f.false_a_year:.1f}",
    )


def _said(report: ZooReport, markdown: bool) -> str:
    """What `degraded` said of each row, the most frequent first, and the alarms that nothing explains."""
    lines = []
    for name, figures in report.rows.items():
        reasons = [f"{reason} ({n})" for reason, n in list(figures.degraded.items())[:MOST_REASONS]]
        strange = [f"strange: {kind} ({n})" for kind, n in figures.strange.items()]
        said = ", ".join([*reasons, *strange]) or "nothing"
        lines.append(f"- {name}: {said}" if markdown else f"{name}: {said}")
    return "\n".join(["Degraded, in how many forecasts:", *([""] if markdown else []), *lines])
