"""The score report as text: a plain table for a terminal, or Markdown."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from forecaster.score.bound.bound import BOUND, PACK_KNOWN, WATER_KNOWN
from forecaster.score.coherence import Coherence
from forecaster.score.figures import Figures
from forecaster.score.gap import Gaps, LossGap
from forecaster.score.reach import Interval, Reach
from forecaster.score.report import ScoreReport
from forecaster.score.rolling import ENGINE, ORACLE
from forecaster.texts.catalogue import Said

HEAD = ("", "n", "median", "90th", "pinball", "x oracle", "10-90 % holds", "width", "alpha-lambda")


def percent(share: float | None) -> str:
    """A share in per cent with a digit, or a dash."""
    return "–" if share is None else f"{100.0 * share:.1f} %"


def _ratio(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f}"


def _row(name: str, f: Figures) -> tuple[str, ...]:
    point = f.width == 0.0
    return (
        name,
        str(f.forecasts),
        percent(f.median_error),
        percent(f.p90_error),
        percent(f.pinball),
        _ratio(f.over_oracle),
        "–" if point else percent(f.coverage),
        "–" if point else percent(f.width),
        percent(f.alpha_lambda),
    )


def _ordered(figures: dict[str, Figures]) -> list[tuple[str, Figures]]:
    """The oracle first, the bound, where one of its halves is known, the engine, then the rest by median error."""
    first = {name: place for place, name in enumerate((ORACLE, WATER_KNOWN, PACK_KNOWN, BOUND, ENGINE))}
    return sorted(figures.items(), key=lambda item: (first.get(item[0], len(first)), item[1].median_error or 0.0))


def grid(rows: Sequence[Sequence[str]], markdown: bool) -> str:
    """Cells in columns: plain, or as a Markdown table; the first row is the head."""
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    lines = []
    for place, row in enumerate(rows):
        cells = [cell.ljust(width) if k == 0 else cell.rjust(width) for k, (cell, width) in enumerate(
            zip(row, widths, strict=True)
        )]  # fmt: skip
        lines.append(f"| {' | '.join(cells)} |" if markdown else "  ".join(cells).rstrip())
        if markdown and place == 0:
            lines.append("|" + "|".join("-" * (w + 1) + (":" if k else "-") for k, w in enumerate(widths)) + "|")
    return "\n".join(lines)


def table(report: ScoreReport, *, markdown: bool = False) -> str:
    """The report: the headline, the engine by charge and by sampling style, and how many outages that rests on."""
    parts = [grid([HEAD, *(_row(name, f) for name, f in _ordered(report.headline))], markdown)]
    by_charge = [
        _row(f"at {name} % charge", group[ENGINE])
        for name, group in sorted(report.by_percent.items(), key=lambda item: -float(item[0]))
        if ENGINE in group
    ]
    parts.append(grid([HEAD, *by_charge], markdown))
    by_group = [_row(name, group[ENGINE]) for name, group in sorted(report.by_group.items()) if ENGINE in group]
    parts.append(grid([HEAD, *by_group], markdown))
    if report.gaps is not None:
        parts.append(reach_table(report.reach, markdown))
        parts.append(gap_table(report.gaps, markdown))
    if report.coherence is not None:
        parts.append(coherence_table(report.coherence, markdown))
    parts.append(_notes(report))
    return "\n\n".join(parts)


REACHED = ("median_error", "p90_error", "over_oracle", "coverage", "alpha_lambda", "way")


def reach_table(found: dict[str, Reach], markdown: bool) -> str:
    """What oracle, bound and engine reach, with 95 % intervals where there are enough outages."""
    head = ("", "n", *(Said(f"cli.reach_{name}") for name in REACHED), Said("cli.reach_width"))
    rows = [head, *(_reach_row(name, one) for name, one in found.items())]
    return f"{grid(rows, markdown)}\n{chr(10) if markdown else ''}{Said('cli.reach_means')}"


def _reach_row(name: str, one: Reach) -> tuple[str, ...]:
    f = one.figures
    values = (f.median_error, f.p90_error, f.over_oracle, f.coverage, f.alpha_lambda, one.way)
    shown = (percent, percent, _ratio, percent, percent, _ratio)
    cells = [_between(x, one.intervals.get(key), say) for key, x, say in zip(REACHED, values, shown, strict=True)]
    return (name, str(f.forecasts), *cells, percent(f.width))


def _between(value: float | None, span: Interval | None, say: Callable[[float | None], str]) -> str:
    """A figure with its interval, where it has one that is wider than a point."""
    if span is None or span[0] == span[1]:
        return say(value)
    return f"{say(value)} ({say(span[0])} – {say(span[1])})"


def gap_table(found: Gaps, markdown: bool) -> str:
    """How the engine's gap to the oracle splits, by charge and by sampling style."""
    parts = ("oracle", "water_known", "pack_known", "bound", "engine", "unknowable", "over_bound")
    head = ("", "n", *(Said(f"cli.gap_{part}") for part in parts))
    by_charge = sorted(found.by_percent.items(), key=lambda item: -float(item[0]))
    rows = [
        (Said("cli.gap_all"), found.whole),
        *((Said("cli.gap_at", percent=int(float(name))), gap) for name, gap in by_charge),
        *sorted(found.by_group.items()),
    ]
    median, least = found.effective
    said = Said("cli.gap_effective", median=median, least=least)
    split = grid([head, *(_gap_row(name, gap) for name, gap in rows)], markdown)
    return f"{split}\n{chr(10) if markdown else ''}{said}"


def _gap_row(name: str, gap: LossGap) -> tuple[str, ...]:
    losses = (gap.oracle, gap.water_known, gap.pack_known, gap.bound, gap.engine)
    share = "–" if gap.unknowable is None else f"{100.0 * gap.unknowable:.0f} %"
    cells = [*(f"{100.0 * loss:.2f} %" for loss in losses), share, _ratio(gap.over_bound)]
    return name, str(gap.forecasts), *cells


def coherence_table(found: Coherence, markdown: bool) -> str:
    """How forecasts of one outage agree: the share of later medians in an earlier range, beside the oracle's."""
    head = ("", *(Said(f"cli.coherent_{name}") for name in ("pairs", "holds", "oracle")))
    rows = [(name, str(held.pairs), percent(held.share), percent(held.oracle)) for name, held in found.by_pair.items()]
    whole = found.held
    rows.append((Said("cli.coherent_all"), str(whole.pairs), percent(whole.share), percent(whole.oracle)))
    own, oracle, path = map(_ratio, (found.revisions, found.oracle_revisions, found.path))
    said = Said("cli.coherent_revisions", own=own, oracle=oracle, path=path)
    return f"{grid([head, *rows], markdown)}\n{chr(10) if markdown else ''}{said}"


def _notes(report: ScoreReport) -> str:
    engine = report.headline[ENGINE]
    lines = [
        f"{report.outages} outages; {engine.censored} of {engine.forecasts} forecasts met the mains' return first "
        f"and count as right-censored (coverage between {percent(engine.coverage_low)} and "
        f"{percent(engine.coverage_high)}).",
        "10-90 % range by quarter of charge: "
        + ", ".join(f"{name} {percent(f.coverage)}" for name, f in sorted(report.by_quarter.items())) + ".",
        "Probability integral transform in tenths: " + " ".join(f"{100.0 * share:.0f}" for share in engine.pit) + ".",
    ]  # fmt: skip
    if report.intervals:
        spans = {
            "median_error": "median error {0} to {1}",
            "coverage": "coverage {0} to {1}",
        }
        said = [spans[k].format(percent(a), percent(b)) for k, (a, b) in report.intervals.items() if k in spans]
        if "over_oracle" in report.intervals:
            low, high = report.intervals["over_oracle"]
            said.append(f"pinball over the oracle's {low:.2f} to {high:.2f}")
        lines.append(f"95 % intervals, outages resampled whole: {', '.join(said)}.")
    if report.accuracy is not None and report.horizon_share is not None:
        lines.append(
            f"Saxena et al. 2010: prognostic horizon {percent(report.horizon_share)} of the outage, "
            f"cumulative relative accuracy {report.accuracy:.3f}."
        )
    if report.degraded:
        lines.append("Degraded: " + ", ".join(f"{reason} ({n})" for reason, n in sorted(report.degraded.items())) + ".")
    return "\n".join(lines)
