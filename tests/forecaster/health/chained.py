"""The same simulated house told by messages: decoder, guard, store, engine, daily table and studies, as a service does.

`python -m tests.forecaster.health.chained --days 90 --houses 2` prints by how much its daily table differs from the one
made run by run.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from collector.decode.payload import Decoder
from collector.guard.guard import ChannelGuard
from collector.intake import Intake
from collector.mqtt.wire import Arrived
from forecaster.alarms import AlarmManager
from forecaster.domain.longrecord import Day, HousePart, PartState
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel
from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.engine import Engine
from forecaster.health.studying import parts_of_pump, study_health
from forecaster.health.told import HEALTH, parts_told
from forecaster.live.cursor import StoreCursor
from forecaster.live.site_runner import SiteRunner
from forecaster.maths.arrays import Array
from forecaster.record.frames import days_frame
from forecaster.record.studying import study_days
from tests.collector.test_clock import Client
from tests.forecaster.health import scored
from tests.forecaster.health.world import DAY_S, START_MS, STEP_S, Sampling, Truth, drawn, inflow, record_in, runs, seen
from tests.scenario import HeldClock, publish, services

TOPIC = "cellar/pump"
SITE = replace(scored.SITE, timezone="UTC", channels=(Channel(Quantity.PUMP_POWER, TOPIC, "$.power", "W"),))
REGULAR_S = 60.0
"""What reports on change is heard this often besides [s]."""


@dataclass(frozen=True)
class Chained:
    """A house by both ways: its days by the chain of messages and run by run, and the states that come of either.

    refused : messages that the chain did not take
    """

    by_messages: tuple[Day, ...]
    by_runs: tuple[Day, ...]
    states: dict[HousePart, PartState]
    states_by_runs: dict[HousePart, PartState]
    refused: int


def chained(truth: Truth, sampling: Sampling, days: int, seed: int) -> Chained:
    """Tell a house's days by messages, an hour at a time, and study it at the end."""
    water = inflow(truth, days, np.random.default_rng([seed, 1]))
    by_runs = tuple(record_in(water, truth, sampling, np.random.default_rng(seed)))
    end_ms = START_MS + days * DAY_MS
    with TemporaryDirectory() as place:
        clock = HeldClock(START_MS, 0.0)
        held = services(Path(place), {SITE.id: SITE}, clock=clock)
        intake = Intake(Decoder([SITE]), held.store, held.ledger, clock, None, lambda: None, guard=ChannelGuard([SITE]))
        runner, cursor = SiteRunner(SITE, Engine(SITE), AlarmManager(SITE)), StoreCursor(held.store, {SITE.id: None})

        def take(readings: Sequence[Reading]) -> None:
            for reading in readings:
                runner.take(reading)

        cursor.catch_up(take, lambda: False)
        watts = np.array([day.power_w for day in by_runs], dtype=np.float64)
        for batch in messages(truth, water, watts, sampling, np.random.default_rng(seed)):
            clock.move(batch[-1].monotonic_s - clock.ran_s)
            intake.handle(batch)
            while cursor.step(take):
                pass
            held.ledger.record(runner.drain())
            if clock.at_ms % DAY_MS < HOUR_MS:
                publish(runner, held.ledger, clock.at_ms)
        study_days(SITE, held.store, held.ledger, end_ms)
        study_health(SITE, held.ledger, end_ms)
        states = {part.part: part.state for part in parts_told(held.ledger.study(SITE.id, HEALTH))}
        found = tuple(held.ledger.days(SITE.id, 0, end_ms))
        held.close()
    parts = parts_of_pump(SITE, days_frame(by_runs), [], "")
    return Chained(found, by_runs, states, {part.part: part.state for part in parts}, intake.counts.refusals)


def messages(
    truth: Truth, water: Array, watts: Array, sampling: Sampling, rng: np.random.Generator
) -> Iterator[list[Arrived]]:
    """What the plug sends of the runs that `record_in` makes with the same generator, an hour's messages at a time.

    watts : (N,) — the running power on each day [W]
    """
    at_s, power = samples(truth, water, watts, sampling, rng, REGULAR_S)
    client = Client()
    for _, hour in groupby(zip(at_s.tolist(), power.tolist(), strict=True), lambda one: one[0] // 3600.0):
        yield [Arrived(TOPIC, b'{"power": %.1f}' % drawn_w, False, at, None, client) for at, drawn_w in hour]


def samples(
    truth: Truth, water: Array, watts: Array, sampling: Sampling, rng: np.random.Generator, regular_s: float
) -> tuple[Array, Array]:
    """Times since the beginning [s], and the power at each [W], (N,) each; see `messages`.

    regular_s : float — what reports on change is heard this often besides [s]
    """
    started, stopped = runs(truth, water, rng)
    end_s = water.size * STEP_S
    if sampling.every_s is None:
        started, stopped, _ = seen(started, stopped, sampling, rng)
        at_s = np.concatenate([np.arange(0.5, end_s, regular_s), started, stopped])
    else:
        at_s = rng.uniform(0.0, sampling.every_s) + np.arange(0.0, end_s - sampling.every_s, sampling.every_s)
    at_s = np.sort(at_s[at_s < end_s])
    place = np.searchsorted(started, at_s, side="right") - 1
    runs_now = (place >= 0) & (at_s < stopped[np.maximum(place, 0)])
    power = np.where(runs_now, watts[(at_s // DAY_S).astype(int)] + rng.normal(0.0, 3.0, at_s.size), 0.0)
    return at_s, power


COMPARED = ("runs", "told", "samples", "told_s", "paired", "late", "dry_s", "power_w", "peak_hour_s")


def differences(found: Chained) -> dict[str, float]:
    """The greatest difference of each column over the days, as a share of its mean by runs.

    The first and the last day are left out: their runs may begin before the first message, and end after the last.
    """
    return {
        name: float(np.max(np.abs(by_messages - by_runs)) / max(float(np.mean(by_runs)), 1e-9))
        for name in COMPARED
        for by_messages, by_runs in [(_column(found.by_messages, name), _column(found.by_runs, name))]
    }


def _column(days: Sequence[Day], name: str) -> Array:
    return np.array([getattr(day, name) or 0.0 for day in days[1:-1]], dtype=np.float64)


def main() -> None:
    """Print the greatest differences of each house, and what the studies said of both."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=90)
    parser.add_argument("--houses", type=int, default=2)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    for seed in range(asked.seed, asked.seed + asked.houses):
        for sampling in (Sampling.ON_CHANGE, Sampling.TEN):
            found = chained(drawn(np.random.default_rng(seed)), sampling, asked.days, seed)
            off = ", ".join(f"{name} {share:.2%}" for name, share in differences(found).items())
            said = ", ".join(f"{part.value} {found.states[part].value}" for part in found.states_by_runs)
            alike = all(found.states[part] is state for part, state in found.states_by_runs.items())
            sys.stdout.write(f"{seed} {sampling.value}: {off}; {said}; alike {alike}; refused {found.refused}\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
