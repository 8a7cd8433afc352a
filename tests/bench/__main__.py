"""`python -m tests.bench [TOPIC]…`: run the benchmarks and print one table."""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path

from tests.bench import Figure


def topics() -> list[str]:
    """Names of all benchmarks."""
    return sorted(path.stem.removeprefix("bench_") for path in Path(__file__).parent.glob("bench_*.py"))


def line(figure: Figure) -> str:
    """A figure as one line of the table."""
    verdict = {None: "", True: "met", False: "MISSED"}[figure.met]
    aim = f"aim {figure.aim}" if figure.aim else ""
    against = f"against {figure.against}" if figure.against else ""
    return f"{figure.name:<58}{figure.value:>14,.4g} {figure.unit:<14}{aim:<16}{verdict:<8}{against}".rstrip()


def main(asked: list[str]) -> int:
    """Run the asked topics, or all; 2 where a topic is unknown."""
    unknown = set(asked) - set(topics())
    if unknown:
        sys.stderr.write(f"no benchmark {', '.join(sorted(unknown))}; there are {', '.join(topics())}\n")
        return 2
    for topic in asked or topics():
        sys.stdout.write(f"\n{topic}\n")
        for figure in import_module(f"tests.bench.bench_{topic}").run():
            sys.stdout.write(f"  {line(figure)}\n")
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
