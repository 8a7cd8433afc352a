"""`python -m tests.mutants`: a sample of mutants of the core, and how many of them the tests kill."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterable
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.mutants.mutate import Mutant
from tests.mutants.run import ROOMS, Runner, Verdict, all_mutants, sample

WANTED = 0.85
COUNT = 100
KILLED, EQUIVALENT, ALIVE = "killed", "equivalent", "SURVIVED"


def fate(verdict: Verdict) -> str:
    """What became of a mutant, as one word."""
    return KILLED if verdict.killed else EQUIVALENT if verdict.equivalent else ALIVE


def known(log: Path | None, mutants: Iterable[Mutant]) -> list[Verdict]:
    """What an earlier run has written of these mutants: one that was ended goes on after it."""
    if log is None or not log.exists():
        return []
    lines = (line.partition(" ") for line in log.read_text(encoding="utf-8").splitlines())
    told = {name.strip(): word for word, _, name in lines if word in (KILLED, EQUIVALENT, ALIVE)}
    fates = [(mutant, told[mutant.name]) for mutant in mutants if mutant.name in told]
    return [Verdict(mutant, word == KILLED, word == EQUIVALENT) for mutant, word in fates]


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
    asking.add_argument("--log", type=Path, help="write each verdict to this file as well, and leave out those in it")
    wish = asking.parse_args()
    with TemporaryDirectory(prefix="outlast-mutants-") as fonts:
        # the many processes of tests end without cleaning up, and so would leave a folder of fonts each
        os.environ.setdefault("MPLCONFIGDIR", fonts)
        return _asked(wish)


def _asked(wish: argparse.Namespace) -> int:
    chosen = sample([m for m in all_mutants(wish.room or ROOMS) if wish.only in m.name], wish.count, wish.seed)
    verdicts = known(wish.log, chosen)
    done = {verdict.mutant for verdict in verdicts}
    for verdict in Runner().verdicts([mutant for mutant in chosen if mutant not in done], wish.jobs):
        verdicts.append(verdict)
        line = f"{fate(verdict):<10} {verdict.mutant.name}\n"
        sys.stdout.write(line)
        sys.stdout.flush()
        if wish.log is not None:
            with wish.log.open("a", encoding="utf-8") as log:
                log.write(line)
    said, well = report(verdicts)
    sys.stdout.write(said + "\n")
    return 0 if well else 1


if __name__ == "__main__":
    sys.exit(main())
