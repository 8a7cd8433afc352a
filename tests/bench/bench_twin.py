"""What a simulated outage costs, and what the score of one costs beside it."""

from __future__ import annotations

from time import process_time

import numpy as np

from forecaster.engine import Engine
from forecaster.score.cases import from_episode
from forecaster.score.rolling import score_case
from forecaster.twin.episode import episode
from tests.bench import Figure

SEEDS = range(20, 26)


def run() -> list[Figure]:
    """Over a few episodes: simulate, then score."""
    began = process_time()
    drawn = [episode(seed) for seed in SEEDS]
    simulated = process_time()
    cases = [from_episode(one) for one in drawn]
    told = process_time()
    rows = [row for case in cases for row in score_case(case, Engine)]
    scored = process_time()
    hours = float(np.mean([(d.truth.reserve_ms - d.truth.transfer_ms) / 3.6e6 for d in drawn]))
    count = sum(len(case.readings) for case in cases)
    return [
        Figure(
            f"a simulated outage of {hours:.0f} h in the mean, with its history", (simulated - began) / len(drawn), "s"
        ),
        Figure("readings of simulated outages", count / (told - simulated), "readings/s"),
        Figure("scoring an outage, all forecasters", (scored - told) / len(drawn), "s"),
        Figure("readings folded while scoring", count / (scored - told), "readings/s", "", f"{len(rows)} forecasts"),
    ]
