"""The simulated outages, and the quiet and stormy months, as tables.

python -m tests.faults.outages_report --outages 200 --months 100 [--days 30] [--rows FILE]

With --rows each outage and month is kept in FILE as it is done, and a second call goes on from there.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import msgspec
import numpy as np

from forecaster.domain.alarms import AlarmKind
from forecaster.domain.times import YEAR_DAYS
from tests.faults.outages import OutageFigures, QuietFigures, outage, quiet

POINTS = (5, 25, 50, 75, 95)


class Row(msgspec.Struct):
    """One outage or one quiet month, and what it took [processor s]."""

    outage: OutageFigures | None = None
    quiet: QuietFigures | None = None
    cpu_s: float = 0.0


def kept(path: Path | None) -> list[Row]:
    """The rows of earlier calls."""
    if path is None or not path.exists():
        return []
    return [msgspec.json.decode(line, type=Row) for line in path.read_bytes().splitlines()]


def made(outages: Sequence[int], months: Sequence[int], days: float) -> Iterator[Row]:
    """Walk them one after the other."""
    for seed in outages:
        began = time.process_time()
        yield Row(outage=outage(seed), cpu_s=time.process_time() - began)
    for seed in months:
        began = time.process_time()
        yield Row(quiet=quiet(seed, days), cpu_s=time.process_time() - began)


def spread(values: Sequence[float], unit: str, digits: int = 1) -> str:
    """Points of a distribution, as the cells of a table row."""
    if not values:
        return "–"
    return ", ".join(f"{float(value):.{digits}f}" for value in np.percentile(values, POINTS)) + f" {unit}"


def outage_table(found: Sequence[OutageFigures]) -> str:
    """What is told of outages."""
    told = [item for item in found if item.signalled]
    inferred = [item for item in found if not item.signalled]
    reached = [item for item in found if item.reached]
    rows = [
        ("outages, over styles of measuring", f"{len(found)} over {len({item.style for item in found})}"),
        ("… of which a sensor told of the mains", f"{len(told)}"),
        ("`mains-lost` later than 60 s after the sensor told, or never", f"{sum(late(item) for item in told)}"),
        ("`mains-lost` after the sensor told", spread([item.mains_lost_s or 0.0 for item in told], "s", 0)),
        ("`mains-lost` where it is inferred", spread(delays_min(inferred), "min", 0)),
        ("… never", f"{sum(item.mains_lost_s is None for item in inferred)} of {len(inferred)}"),
        ("outages that reached the floor", f"{len(reached)}"),
        ("`low-reserve` not before the floor", f"{sum(item.lead_h is None or item.lead_h <= 0.0 for item in reached)}"),
        ("lead of `low-reserve` before the floor", spread([item.lead_h for item in reached if item.lead_h], "h")),
        (
            "lead of the first message told that names the act, of outages of 4 h and more",
            spread(act_leads(found), "h"),
        ),
        ("… 2 h and more", share(act_leads(found), 2.0)),
        ("messages to a person in the fullest 24 h", spread([float(item.told_a_day) for item in found], "", 0)),
        ("outages with more than 6, more than 10", f"{over(found, 6)}, {over(found, 10)}"),
        ("three messages within a minute", f"{sum((item.fastest_min or 9.0) < 1.0 for item in found)}"),
        ("other kinds raised without cause", counted([kind for item in found for kind, _ in item.strange])),
    ]
    head = f"| of simulated outages | measured ({', '.join(str(p) for p in POINTS)} % points) |\n|---|---|"
    return "\n".join([head, *(f"| {name} | {value.strip()} |" for name, value in rows)])


def quiet_table(found: Sequence[QuietFigures], months: str) -> str:
    """False alarms of months on mains, by kind. months : what kind of months they are."""
    years = sum(item.days for item in found) / YEAR_DAYS
    kinds = [kind for item in found for kind, _ in item.false]
    rows = [(f"`{kind}`", f"{kinds.count(kind)}", f"{kinds.count(kind) / years:.2f}") for kind in sorted(set(kinds))]
    rows.append(("all kinds", f"{len(kinds)}", f"{len(kinds) / years:.2f}"))
    head = f"| false alarms in {len(found)} {months} site-months ({years:.1f} site-years) | number | a site-year |"
    return "\n".join([head, "|---|---|---|", *(f"| {' | '.join(row)} |" for row in rows)])


def act_leads(found: Sequence[OutageFigures]) -> list[float]:
    """Lead of the first message told that names the act [h], of outages of 4 h and more that reached the floor."""
    return [item.act_h or 0.0 for item in found if item.reached and item.life_h >= 4.0]


def share(values: Sequence[float], least: float) -> str:
    """How many values reach a least one."""
    return f"{sum(value >= least for value in values)} of {len(values)}"


def late(item: OutageFigures) -> bool:
    """Whether a signalled failure was not told within a minute."""
    return item.mains_lost_s is None or item.mains_lost_s > 60.0


def delays_min(found: Sequence[OutageFigures]) -> list[float]:
    """From the failure to the alarm [min], of those raised."""
    return [item.mains_lost_s / 60.0 for item in found if item.mains_lost_s is not None]


def over(found: Sequence[OutageFigures], messages: int) -> int:
    """How many outages had more messages than this in a day."""
    return sum(item.told_a_day > messages for item in found)


def counted(kinds: Sequence[str]) -> str:
    """Kinds with their numbers."""
    return ", ".join(f"{kinds.count(kind)} `{AlarmKind(kind)}`" for kind in sorted(set(kinds))) or "none"


def by_style(found: Sequence[OutageFigures]) -> str:
    """Delay of an inferred `mains-lost` by style."""
    lines = ["| style | inferred `mains-lost` after the failure | outages |", "|---|---|---|"]
    for style in sorted({item.style for item in found}):
        own = [item for item in found if item.style == style and not item.signalled]
        if own:
            lines.append(f"| {style} | {spread(delays_min(own), 'min', 0)} | {len(own)} |")
    return "\n".join(lines)


def main() -> None:
    """Walk what is missing, and print."""
    asked = argparse.ArgumentParser(prog="python -m tests.faults.outages_report")
    asked.add_argument("--outages", type=int, default=200)
    asked.add_argument("--months", type=int, default=100)
    asked.add_argument("--first", type=int, default=10_000, help="first seed; rules are tuned on those below 10,000")
    asked.add_argument("--days", type=float, default=30.0, help="length of a month")
    asked.add_argument("--rows", type=Path, help="keeps each result; goes on from there")
    given = asked.parse_args()
    rows = kept(given.rows)
    had = {row.outage.seed for row in rows if row.outage}, {row.quiet.seed for row in rows if row.quiet}
    outages, months = (
        [n for n in range(given.first, given.first + count) if n not in seen]
        for count, seen in zip((given.outages, given.months), had, strict=True)
    )
    for row in made(outages, months, given.days):
        rows.append(row)
        if given.rows is not None:
            with given.rows.open("ab") as file:
                file.write(msgspec.json.encode(row) + b"\n")
    found = [row.outage for row in rows if row.outage]
    months_found = [row.quiet for row in rows if row.quiet]
    parts = [outage_table(found), by_style(found)] if found else []
    for named, stormy in (("quiet", False), ("stormy", True)):
        own = [item for item in months_found if item.stormy is stormy]
        parts += [quiet_table(own, named)] if own else []
    sys.stdout.write("\n\n".join(parts) + f"\n\n{sum(row.cpu_s for row in rows):.0f} s of processor time.\n")


if __name__ == "__main__":
    main()
