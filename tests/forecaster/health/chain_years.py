"""Simulated site-years told by messages through a real broker, `outlast run` and its store, then `outlast study`.

`python -m tests.forecaster.health.chain_years --year "clog" --sampling "on change"` prints, for each year, what it took
and what the health ledger says beside the truth of the house. The messages have times of their own, and are sent as
fast as they are taken; the year ends with the day before today.
"""

from __future__ import annotations

import argparse
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import httpx
import msgspec
import numpy as np
from numpy.typing import NDArray

from collector.config.settings import load_installation
from collector.config.site_file import site_toml
from collector.store.open import open_ledger
from forecaster.domain.longrecord import Day, HousePart, WorkDone, WorkKind
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Channel
from forecaster.domain.times import DAY_MS
from forecaster.health.studying import parts_of_pump
from forecaster.health.told import HEALTH, parts_told
from forecaster.maths.arrays import Array
from forecaster.record.frames import days_frame
from tests.bench.load import CALL
from tests.engines import ROOT, free_port, wait_until
from tests.forecaster.health import scored
from tests.forecaster.health.chain_pack import CHANNELS, PackYear, pack_messages
from tests.forecaster.health.chained import Chained, differences, samples
from tests.forecaster.health.world import START_MS, Sampling, Truth, drawn, inflow, record_in, runs
from tests.servers import Mosquitto, running_mosquitto

DAYS = 365
ONSET, CLOGGED = 65, 15
"""Days before the end on which faults begin and work is done, and on which a clog begins."""

TOPIC = "cellar/pump"
REGULAR_S = 300.0
"""What reports on change is heard this often besides [s]."""

SENT_AT_ONCE = 20_000
PATIENCE_S = 3600.0
"""How long a busy machine may take to fold what was sent at once."""

Sent = tuple[int, str, bytes]
"""Time [UTC ms], topic and body of a message."""


@dataclass(frozen=True)
class Year:
    """A site-year: what happens to the house in so many days, the part that must be told of (None: none may be), work
    done, and a pack that is heard of (None: none is)."""

    name: str
    truth: Callable[[Truth, int], Truth]
    part: HousePart | None = None
    work: WorkKind | None = None
    pack: PackYear | None = None


def _from(value: float, days: int) -> Callable[[Array], Array]:
    return lambda day: np.where(day >= days - ONSET, value, 0.0)


def _clogged(truth: Truth, days: int) -> Truth:
    return replace(truth, flow=lambda day: 1.0 - 0.4 * np.clip((day - days + CLOGGED) / 6.0, 0.0, 1.0))


def _cleaned(truth: Truth, days: int) -> Truth:
    return replace(truth, flow=lambda day: np.where(day < days - ONSET, 1.0 - 0.02 * day / 30.4, 1.0))


YEARS = (
    Year("quiet", lambda truth, _: truth),
    Year("wear 1 % a month", lambda truth, _: replace(truth, flow=lambda day: 1.0 - 0.01 * day / 30.4),
         HousePart.PUMP_FLOW),
    Year("clog 40 %", _clogged, HousePart.DISCHARGE_LINE),
    Year("leak 30 %", lambda truth, days: replace(truth, leak=_from(0.3, days)), HousePart.CHECK_VALVE),
    Year("float sticks in 10 %", lambda truth, days: replace(truth, sticks=_from(0.1, days)), HousePart.FLOAT),
    Year("cleaned", _cleaned, None, WorkKind.CLEANED),
    Year("pack loses 25 % a year", lambda truth, _: truth, HousePart.PACK_CAPACITY, pack=PackYear(0.25)),
)  # fmt: skip


@dataclass
class Walked:
    """What a year took, and what came of it.

    house : by messages and run by run; minutes : from the first message to the end of the study
    change : what is told of the work, where there was some, or of the pack's capacity, where it is heard of
    """

    house: Chained
    messages: int
    minutes: float
    change: dict[str, float | None] | None


def walk(year: Year, sampling: Sampling, seed: int, days: int, folder: Path) -> Walked:
    """Send a year through the chain."""
    truth = year.truth(drawn(np.random.default_rng(seed)), days)
    water = inflow(truth, days, np.random.default_rng([seed, 1]))
    by_runs = tuple(record_in(water, truth, sampling, np.random.default_rng(seed)))
    watts = np.array([day.power_w or 480.0 for day in by_runs], dtype=np.float64)
    end_ms = time.time_ns() // 1_000_000 // DAY_MS * DAY_MS
    start_ms = end_ms - days * DAY_MS
    at_s, power = samples(truth, water, watts, sampling, np.random.default_rng(seed), REGULAR_S)
    at_ms, first = np.unique(start_ms + np.round(1000.0 * at_s).astype(np.int64), return_index=True)
    messages = _messages(at_ms, power[first], sampling)
    if year.pack is not None:
        ran = runs(truth, water, np.random.default_rng(seed))
        messages = sorted(messages + _of_pack(year.pack, ran, watts, start_ms))
    begun_s = time.monotonic()
    with running_mosquitto(folder / "mosquitto") as broker:
        _installation(folder, broker, sampling, CHANNELS if year.pack is not None else ())
        with _service(folder) as port:
            _send(broker, port, messages)
        if year.work is not None:
            done_ms = end_ms - ONSET * DAY_MS
            _call(folder, "work", "add", "larkspur", year.work.value, "--at", str(np.datetime64(done_ms, "ms")) + "Z")
        _call(folder, "study", "larkspur", "--at", str(np.datetime64(end_ms, "ms")) + "Z")
    return _read(folder, year, by_runs, len(messages), (time.monotonic() - begun_s) / 60.0)


def _installation(folder: Path, broker: Mosquitto, sampling: Sampling, of_pack: tuple[Channel, ...]) -> None:
    floats = sampling is Sampling.FLOAT
    quantity, unit = (Quantity.PIT_FLOAT, None) if floats else (Quantity.PUMP_POWER, "W")
    channel = Channel(quantity, TOPIC, "$.value", unit, time="$.time")
    site = replace(scored.SITE, timezone="UTC", channels=(channel, *of_pack), contacts=())
    (folder / "sites").mkdir(parents=True)
    (folder / "sites" / "larkspur.toml").write_text(site_toml(site), encoding="utf-8")
    (folder / "outlast.toml").write_text(
        f'[broker]\nurl = "{broker.url}"\n[store]\nurl = "sqlite:///outlast.db"\n', encoding="utf-8"
    )


@contextmanager
def _service(folder: Path) -> Iterator[int]:
    """`outlast run`, and its port, once it listens to the broker."""
    port = free_port()
    with (folder / "outlast.toml").open("a", encoding="utf-8") as settings:
        settings.write(f"[http]\nport = {port}\n")
    with (folder / "run.log").open("ab") as log:
        words = [sys.executable, "-c", CALL, "run", "--config", str(folder)]
        service = subprocess.Popen(words, cwd=ROOT, stdout=log, stderr=log)
    try:
        wait_until(
            lambda: service.poll() is not None or _counted(port, "outlast_connected") == 1.0, "the service", PATIENCE_S
        )
        assert service.poll() is None, (folder / "run.log").read_text()
        yield port
    finally:
        service.send_signal(signal.SIGTERM)
        service.wait(PATIENCE_S)


def _counted(port: int, metric: str) -> float | None:
    try:
        text = httpx.get(f"http://127.0.0.1:{port}/metrics", timeout=60.0).text
    except httpx.HTTPError:
        return None
    return next((float(line.split()[-1]) for line in text.splitlines() if line.partition(" ")[0] == metric), None)


def _messages(at_ms: NDArray[np.int64], power: Array, sampling: Sampling) -> list[Sent]:
    floats = sampling is Sampling.FLOAT
    values = (int(watts > 0.0) if floats else round(watts, 1) for watts in power.tolist())
    return [_sent(at, TOPIC, value) for at, value in zip(at_ms.tolist(), values, strict=True)]


def _of_pack(pack: PackYear, ran: tuple[Array, Array], watts: Array, start_ms: int) -> list[Sent]:
    every = pack_messages(pack, *ran, watts)
    return [_sent(start_ms + round(1000.0 * at_s), topic, value) for at_s, topic, value in every]


def _sent(at_ms: int, topic: str, value: float) -> Sent:
    return at_ms, topic, f'{{"value": {value}, "time": {at_ms}}}'.encode()


def _send(broker: Mosquitto, port: int, messages: Sequence[Sent]) -> None:
    """Send all, a part at a time, each once the one before has been folded."""
    for first in range(0, len(messages), SENT_AT_ONCE):
        part = messages[first : first + SENT_AT_ONCE]
        broker.publish([(topic, body) for _, topic, body in part])
        sent = first + len(part)
        wait_until(partial(_folded, port, sent), "what was sent", PATIENCE_S)


def _folded(port: int, sent: int) -> bool:
    return (_counted(port, "outlast_forecaster_readings_total") or 0.0) >= sent


def _call(folder: Path, *words: str) -> None:
    subprocess.run([sys.executable, "-c", CALL, *words, "--config", str(folder)], cwd=ROOT, check=True)


def _read(folder: Path, year: Year, by_runs: tuple[Day, ...], messages: int, minutes: float) -> Walked:
    """What the ledger of the installation says, beside the same house run by run."""
    with closing(open_ledger(load_installation(folder).ledger_url)) as ledger:
        found = tuple(ledger.days("larkspur", 0, 2**53))
        study = ledger.study("larkspur", HEALTH)
        refused = len(ledger.refusals("larkspur", 1000))
    at_ms = START_MS + (len(by_runs) - ONSET) * DAY_MS
    done = () if year.work is None else (WorkDone("w", "larkspur", at_ms, year.work, "", "owner", at_ms),)
    parts = parts_of_pump(scored.SITE, days_frame(by_runs), done, "")
    told = {part.part: part.state for part in parts_told(study)}
    changes = _changes(study.document, year) if study is not None else []
    house = Chained(found, by_runs, told, {part.part: part.state for part in parts}, refused)
    return Walked(house, messages, minutes, changes[0] if changes else None)


def _changes(document: str, year: Year) -> list[dict[str, float | None] | None]:
    told = msgspec.json.decode(document)
    if year.pack is not None:
        return [part["change"] for part in told["parts"] if part["part"] == HousePart.PACK_CAPACITY.value]
    return [work["helped"] for work in told["work"]]


def row(year: Year, sampling: Sampling, walked: Walked) -> str:
    """A row of the table: what was sent, how far the daily tables differ, and what is told beside the truth.

    Late starts are a few a year, so their difference is no share of their mean.
    """
    off = differences(walked.house)
    worst = max(off.keys() - {"late"}, key=lambda name: off[name])
    late = max(abs(a.late - b.late) for a, b in zip(walked.house.by_messages, walked.house.by_runs, strict=True))
    states = walked.house.states
    told = [f"{part.value} {state.value}" for part, state in states.items() if state in scored.TOLD]
    alike = all(states.get(part) is state for part, state in walked.house.states_by_runs.items())
    as_meant = (year.part is None or states[year.part] in scored.TOLD) and (year.part is not None or not told)
    return (
        f"| {year.name} | {sampling.value} | {walked.messages} | {walked.minutes:.0f} | {worst} {off[worst]:.2%},"
        f" late starts a day {late}"
        f" | {', '.join(told) or 'nothing'} | {'as meant' if as_meant else 'NOT as meant'}"
        f" | {'alike' if alike else 'other'} | {walked.change or ''} | {walked.house.refused} |"
    )


def main() -> None:
    """Walk the years that are asked for, and print a row for each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--year", default="", help="only those whose name holds this")
    parser.add_argument("--sampling", default="on change", help="only those whose name holds this")
    parser.add_argument("--days", type=int, default=DAYS)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    for sampling in (one for one in Sampling if asked.sampling in one.value and one is not Sampling.COUNTER):
        for year in (one for one in YEARS if asked.year in one.name):
            with TemporaryDirectory() as place:
                sys.stdout.write(row(year, sampling, walk(year, sampling, asked.seed, asked.days, Path(place))) + "\n")
                sys.stdout.flush()


if __name__ == "__main__":
    main()
