"""What a forecast of one site costs, at fixed moments of simulated outages; also against another commit, in one run."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from tests.bench import Figure

ROOT = Path(__file__).parents[2]
PROGRAM = Path(__file__).with_name("forecast_moments.py")
ROUNDS = 5
TENTH, NINETIETH = 1, 5
"""Places of the 10 and 90 % points among the quantiles of a forecast."""

Round = list[dict[str, list[float]]]


class Tree:
    """The program of moments on one tree, waiting to be asked."""

    def __init__(self, root: Path) -> None:
        one = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
        self.process = subprocess.Popen(
            [sys.executable, str(PROGRAM)], cwd=root, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            env={**os.environ, **one, "PYTHONPATH": str(root)},
        )  # fmt: skip
        self.rounds: list[Round] = []

    def _line(self) -> str:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        if not line:
            raise RuntimeError(f"the moments ended with code {self.process.wait()}; what they wrote stands above")
        return line

    def ready(self) -> None:
        """Wait until the outages are folded."""
        self._line()

    def ask(self) -> None:
        """One more round."""
        assert self.process.stdin is not None
        self.process.stdin.write("\n")
        self.process.stdin.flush()
        self.rounds.append(json.loads(self._line()))

    def close(self) -> None:
        """End the program."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.process.wait()

    def cost_ms(self) -> np.ndarray:
        """Least processor time of each forecast over the rounds [ms], shape (moments, steps)."""
        rounds = np.array([[moment["ms"] for moment in told] for told in self.rounds], dtype=np.float64)
        return np.asarray(rounds.min(axis=0))

    def hours(self) -> np.ndarray:
        """Quantiles of every forecast [h], NaN beyond the horizon: shape (moments, steps, levels)."""
        return np.array([moment["hours"] for moment in self.rounds[0]], dtype=np.float64)


@contextmanager
def checked_out(commit: str) -> Iterator[Path]:
    """The files of a commit in a temporary folder."""
    with TemporaryDirectory(prefix="outlast-bench-") as folder:
        archive = subprocess.run(["git", "archive", commit], cwd=ROOT, check=True, capture_output=True).stdout
        subprocess.run(["tar", "-x"], cwd=folder, input=archive, check=True)
        yield Path(folder)


def measured(roots: Sequence[Path]) -> list[Tree]:
    """The trees, asked in turn, so that whatever else the machine does is shared by all."""
    trees = [Tree(root) for root in roots]
    try:
        for tree in trees:
            tree.ready()
        for _ in range(ROUNDS):
            for tree in trees:
                tree.ask()
    finally:
        for tree in trees:
            tree.close()
    return trees


def strayed(now: np.ndarray, before: np.ndarray) -> float:
    """The greatest difference of a quantile between two trees' forecasts, as a share of the 10-90 % range before."""
    width = before[..., NINETIETH] - before[..., TENTH]
    return float(np.nanmax(np.abs(now - before) / width[..., None]))


def run(against: str | None = None) -> list[Figure]:
    """The cost of a forecast; beside a commit also the cost there, the ratio, and how far the answers stray."""
    if against is None:
        return [_cost("here", measured([ROOT])[0])]
    with checked_out(against) as folder:
        here, there = measured([ROOT, folder])
    ratio = float(np.median(here.cost_ms() / there.cost_ms()))
    return [
        _cost("here", here),
        _cost(f"at {against}", there),
        Figure("forecast: cost here over there", ratio, "ratio", "<= 0.4", f"{against}, in turn"),
        Figure("forecast: answers differ by at most", strayed(here.hours(), there.hours()), "of the range", "<= 0.01"),
    ]


def _cost(where: str, tree: Tree) -> Figure:
    count = tree.cost_ms().shape[0]
    return Figure(f"forecast: one site, {count} moments, {where}", float(np.median(tree.cost_ms())), "ms")
