"""`python -m tests.bench [TOPIC]… [--against COMMIT]`: run the benchmarks and print one table.

Topics that can compare themselves with another commit do so, in the same run; the others are run as they are.
"""

from __future__ import annotations

import argparse
import inspect
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


def figures(topic: str, against: str | None) -> list[Figure]:
    """The figures of one topic, beside those of a commit where it can compare."""
    run = import_module(f"tests.bench.bench_{topic}").run
    if against is not None and "against" in inspect.signature(run).parameters:
        return list(run(against=against))
    return list(run())


def main(words: list[str]) -> int:
    """Run the asked topics, or all; 2 where a topic is unknown."""
    parser = argparse.ArgumentParser(prog="deploy/bench", description="Run benchmarks and print what was measured.")
    parser.add_argument("topics", nargs="*", metavar="TOPIC", help=f"of {', '.join(topics())}; all by default")
    parser.add_argument("--against", metavar="COMMIT", help="compare with this commit where a topic can")
    asked = parser.parse_args(words)
    unknown = set(asked.topics) - set(topics())
    if unknown:
        sys.stderr.write(f"no benchmark {', '.join(sorted(unknown))}; there are {', '.join(topics())}\n")
        return 2
    for topic in asked.topics or topics():
        sys.stdout.write(f"\n{topic}\n")
        for figure in figures(topic, asked.against):
            sys.stdout.write(f"  {line(figure)}\n")
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
