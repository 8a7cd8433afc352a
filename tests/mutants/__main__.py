"""`python -m tests.mutants`: a sample of mutants of the core, and how many of them the tests kill."""

from __future__ import annotations

import argparse
import sys

from tests.mutants.run import ROOMS, Runner, Verdict, all_mutants, sample

WANTED = 0.85
COUNT = 100


def report(verdicts: list[Verdict]) -> tuple[str, bool]:
    """Lines to read, and whether enough were killed."""
    counted = [v for v in verdicts if v.counts]
    killed = sum(v.killed for v in counted)
    share = killed / len(counted) if counted else 1.0
    alive = [v.mutant.name for v in counted if not v.killed]
    same = len(verdicts) - len(counted)
    lines = [f"{killed} of {len(counted)} killed, {share:.0%}; {same} more are equivalent", *alive]
    return "\n".join(lines), share >= WANTED


def main() -> int:
    """Exit 0 where at least 85 % are killed, 1 where fewer are."""
    asking = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    asking.add_argument("--count", type=int, default=COUNT, help="so many")
    asking.add_argument("--seed", type=int, default=0, help="chooses them")
    asking.add_argument("--room", action="append", choices=ROOMS, help="of this room alone; may be given again")
    asking.add_argument("--only", default="", help="those whose name holds this text")
    asking.add_argument("--jobs", type=int, default=1, help="so many at once")
    wish = asking.parse_args()
    mutants = [m for m in all_mutants(wish.room or ROOMS) if wish.only in m.name]
    verdicts = []
    for verdict in Runner().verdicts(sample(mutants, wish.count, wish.seed), wish.jobs):
        verdicts.append(verdict)
        fate = "killed" if verdict.killed else "equivalent" if verdict.equivalent else "SURVIVED"
        sys.stdout.write(f"{fate:<10} {verdict.mutant.name}\n")
        sys.stdout.flush()
    said, well = report(verdicts)
    sys.stdout.write(said + "\n")
    return 0 if well else 1


if __name__ == "__main__":
    sys.exit(main())
