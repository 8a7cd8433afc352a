"""Several collectors, each with its share of the sites: one dies for good and its share moves to another machine."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.config.settings import load_installation
from collector.share import Share
from collector.store.open import open_ledger, open_readings
from forecaster.domain.ports import Ledger
from tests.bench.fleet import Load, publish_apart, site_id, write_fleet
from tests.engines import ROOT, Influx, running_influx, wait_until
from tests.servers import Mosquitto

SITES, RATE, SECONDS = 40, 400.0, 8.0
PATIENCE_S = 300.0
"""How long a busy machine may take for any one step."""
CALL = "import sys; from api.cli import main; sys.exit(main())"


@pytest.fixture
def influx(tmp_path: Path) -> Iterator[Influx]:
    (tmp_path / "influx").mkdir()
    with running_influx(tmp_path / "influx") as server:
        yield server


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path / "broker")
    made.start()
    yield made
    made.stop()


def collect(machine: Path, share: Share) -> subprocess.Popen[bytes]:
    words = [
        sys.executable,
        "-c",
        CALL,
        "collect",
        "--config",
        str(machine),
        "--share",
        f"{share.number}/{share.count}",
    ]
    with (machine / "log").open("ab") as log:
        return subprocess.Popen(words, cwd=ROOT, stdout=log, stderr=log)


def subscribed(ledger: Ledger, share: Share) -> bool:
    return ledger.noted(f"filters:{share.named('load')}") is not None


@pytest.mark.timeout(1200)
def test_a_share_moves_to_another_machine_and_nothing_is_lost(
    tmp_path: Path, influx: Influx, broker: Mosquitto
) -> None:
    """In: 3,200 messages for 40 sites, one of two collectors killed half-way. Out: 3,200 rows on the server."""
    machines = [tmp_path / name for name in ("first", "second", "third")]
    for machine in machines:
        write_fleet(machine, SITES, broker.url, f"{influx.url}/outlast")
    first, second = Share(1, 2), Share(2, 2)
    assert {sum(share.owns(site_id(n)) for n in range(SITES)) for share in (first, second)} != {0}
    running = [collect(machines[0], first), collect(machines[1], second)]
    try:
        for machine, share in zip(machines, (first, second), strict=False):
            with closing(open_ledger(load_installation(machine).ledger_url, owner=False)) as ledger:
                wait_until(partial(subscribed, ledger, share), "the collectors", PATIENCE_S)
        publishing = publish_apart(Load(broker.port, SITES, RATE, SECONDS))
        time.sleep(SECONDS / 2)
        running[1].send_signal(signal.SIGKILL)
        running[1].wait(PATIENCE_S)
        outbox = machines[1] / "outbox"
        for file in sorted(outbox.iterdir()) if outbox.exists() else []:  # the disk of the dead machine is carried over
            (machines[2] / "outbox").mkdir(exist_ok=True)
            (machines[2] / "outbox" / file.name).write_bytes(file.read_bytes())
        running.append(collect(machines[2], second))
        published = publishing.get(PATIENCE_S)
        installation = load_installation(machines[0])
        with (
            closing(open_ledger(installation.ledger_url, owner=False)) as ledger,
            closing(open_readings(installation, ledger, SystemClock(), role="look", owner=False)) as store,
        ):
            wait_until(lambda: store.count() >= published.messages, "all readings on the server", PATIENCE_S)
            assert store.count() == published.messages == round(RATE * SECONDS)
            assert store.sites() == sorted(site_id(n) for n in range(SITES))
    finally:
        for process in running:
            process.kill()
            process.wait(PATIENCE_S)
