"""What the daily study of a site with a year on record takes, in a process that has just begun and in one that is warm.

Two sites of the same simulated house, a year of daily rows, and the readings and runs of the newest days at samples
every 10 s. `python -m tests.bench.bench_study FOLDER` is the process that studies them.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from api.process.children import child_environment
from collector.config.settings import load_installation
from collector.config.site_file import site_toml
from collector.store.open import open_ledger, open_store
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Run, Supply
from forecaster.domain.site import Channel, Site
from forecaster.domain.times import DAY_MS
from forecaster.maths.arrays import Array
from tests.bench import Figure
from tests.engines import ROOT
from tests.forecaster.health.chained import samples
from tests.forecaster.health.scored import SITE
from tests.forecaster.health.world import DAY_S, START_MS, STEP_S, Sampling, Truth, drawn, inflow, record_in, runs

SITES = ("larkspur", "aspen")
DAYS, NEWEST, SEED = 365, 4, 5
END_MS = START_MS + DAYS * DAY_MS
NEWEST_MS = END_MS - NEWEST * DAY_MS


def run() -> list[Figure]:
    """Make the record, study both sites in one process, and say what that took."""
    with TemporaryDirectory() as place:
        _record(Path(place))
        words = [sys.executable, "-m", "tests.bench.bench_study", place]
        done = subprocess.run(words, cwd=ROOT, check=True, capture_output=True, env=child_environment())
    cold_s, warm_s, memory_mb = json.loads(done.stdout)
    return [
        Figure("a site's studies in a process that has just begun, with its start", cold_s, "s", "<= 5"),
        Figure("the next site's in the same process", warm_s, "s", "<= 1"),
        Figure("memory of that process at most", memory_mb, "MB", "<= 350"),
    ]


def _record(folder: Path) -> None:
    """An installation whose daily tables lack the newest day."""
    (folder / "sites").mkdir()
    settings = '[broker]\nurl = "mqtt://127.0.0.1:1"\n[store]\nurl = "sqlite:///outlast.db"\n'
    (folder / "outlast.toml").write_text(settings, encoding="utf-8")
    truth = drawn(np.random.default_rng(SEED))
    water = inflow(truth, DAYS, np.random.default_rng([SEED, 1]))
    days = record_in(water, truth, Sampling.TEN, np.random.default_rng(SEED))
    newest = water[-round(NEWEST * DAY_S / STEP_S) :]
    for name in SITES:
        (folder / "sites" / f"{name}.toml").write_text(site_toml(_site(name)), encoding="utf-8")
    installed = load_installation(folder)
    with closing(open_ledger(installed.ledger_url)) as ledger, closing(open_store(installed.readings_url)) as store:
        for name in SITES:
            ledger.save_days([replace(day, site=name) for day in days[:-1]])
            ledger.record(_runs(name, truth, newest))
            store.append(_readings(name, truth, newest))


def _site(name: str) -> Site:
    channel = Channel(Quantity.PUMP_POWER, f"{name}/plug", "$.value", "W", time="$.time")
    return replace(SITE, id=name, timezone="UTC", contacts=(), channels=(channel,))


def _runs(name: str, truth: Truth, water: Array) -> list[Run]:
    starts, stops = (NEWEST_MS + np.round(1e3 * edge).astype(np.int64) for edge in runs(truth, water, _chance()))
    return [
        Run(name, start, stop, None, 480.0, 480.0, Quantity.PUMP_POWER, Supply.MAINS, 2)
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True)
    ]


def _readings(name: str, truth: Truth, water: Array) -> list[Reading]:
    at_s, power = samples(truth, water, np.full(NEWEST, 480.0), Sampling.TEN, _chance(), 0.0)
    at_ms = NEWEST_MS + np.round(1e3 * at_s).astype(np.int64)
    told = zip(at_ms.tolist(), power.tolist(), strict=True)
    return [Reading(name, Quantity.PUMP_POWER, at, max(watts, 0.0), at) for at, watts in told]


def _chance() -> np.random.Generator:
    return np.random.default_rng(SEED)


def main(folder: Path) -> None:
    """Study both sites; print processor time of the first, start included, and of the second [s], and memory [MB]."""
    from api.commands.installed import opened
    from api.process.study_making import made

    spent = [0.0]
    with opened(folder) as has:
        for name in SITES:
            problem = made(has.site(name), has.store, has.ledger, END_MS)
            days = len(has.ledger.days(name, 0, END_MS))
            if problem is not None or days != DAYS:
                raise SystemExit(problem or f"{days} days were studied, not {DAYS}")
            spent.append(time.process_time())
    memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    sys.stdout.write(json.dumps([spent[1], spent[2] - spent[1], memory_mb]))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
