"""A full disk: alarms still leave, from the room that is kept for them."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.deliver.ballast import NAME, Ballast
from api.deliver.webhook import WebhookCarrier
from collector.store.influx import InfluxStore
from collector.store.influx_server import InfluxServer, parse_address
from forecaster.domain.alarms import AlarmKind
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.records import StoredForecast
from tests.api.delivering import Receiver, SteppedClock, courier, ledger_in, listening, queue, told, with_webhook
from tests.collector.store.test_influx import SteadyClock
from tests.contracts.store_contract import everything, power
from tests.engines import running_influx
from tests.forecaster.evidence import START_MS


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 16 MB of its own."""
    place = tmp_path / "disk"
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=16m", "tmpfs", str(place)], check=True)
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def fill(path: Path) -> None:
    """Write until nothing is left."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT)
    size = 1 << 16
    while size:
        try:
            os.write(handle, b"\0" * size)
        except OSError:
            size //= 2
    os.close(handle)


def test_an_alarm_leaves_a_disk_that_is_full(disk: Path) -> None:
    clock, ballast = SteppedClock(), Ballast(disk, 2 << 20, 4 << 20)
    ledger = ledger_in(disk)
    assert ballast.keep()
    fill(disk / "filler")
    flood = [StoredForecast("larkspur", START_MS + number, "x" * 5000) for number in range(1000)]
    with pytest.raises(StoreUnavailable, match="disk is full"):
        ledger.publish(flood)
    fill(disk / "filler2")
    with listening(Receiver()) as receiver:
        site = with_webhook(receiver.url)
        transition = told(AlarmKind.TELEMETRY_SILENT)
        with pytest.raises(StoreUnavailable):
            queue(ledger, site, [transition], START_MS)
        assert ballast.release()
        queue(ledger, site, [transition], START_MS)
        carrier = WebhookCarrier({site.id: site}, clock)
        courier(carrier, ledger, clock).turn()
        carrier.close()
    assert len(receiver.heard) == 1
    assert ledger.alarm(transition.alarm.id).kind is AlarmKind.TELEMETRY_SILENT
    assert not ballast.keep()
    (disk / "filler").unlink()
    assert ballast.keep()
    ledger.close()


def test_the_ballast_is_laid_down_only_where_there_is_room(tmp_path: Path) -> None:
    assert not Ballast(tmp_path, 1 << 16, 1 << 62).keep()
    ballast = Ballast(tmp_path, 1 << 16, 1 << 17)
    assert ballast.keep()
    assert ballast.keep()
    assert (tmp_path / NAME).stat().st_size == 1 << 16
    assert ballast.release()
    assert not ballast.release()


def test_a_full_disk_under_the_outbox_of_a_server_loses_nothing(disk: Path, tmp_path: Path) -> None:
    """In: 60,000 readings in commits, offered again as a broker would until taken; the disk of the outbox runs full
    twice, first with the server away, then as its answers are to be noted. Out: 60,000 rows."""
    (tmp_path / "influx").mkdir()
    with running_influx(tmp_path / "influx") as influx:
        clock = SteadyClock()
        server = InfluxServer(parse_address(f"{influx.url}/outlast"), timeout_s=20)
        store = InfluxStore(server, "outlast", disk / "outbox.db", clock, lambda *_: None, collector="house")
        commits = [[power(1000.0 * c + n, 1.0) for n in range(1000)] for c in range(60)]
        store.append(commits[0])
        influx.stop()
        taken = 1
        while taken < len(commits):
            try:
                store.append(commits[taken])
            except StoreUnavailable:
                break
            taken += 1
            if taken == 20:
                fill(disk / "filler")
        assert 20 <= taken < len(commits)
        influx.start()
        clock.ahead_s += 120.0
        while taken < len(commits):
            try:
                store.append(commits[taken])
                taken += 1
            except StoreUnavailable:
                (disk / "filler").unlink(missing_ok=True)
        clock.ahead_s += 120.0
        fill(disk / "filler")
        store.drain()
        (disk / "filler").unlink()
        clock.ahead_s += 120.0
        store.drain()
        assert store.health().pending == 0
        assert store.count() == 60_000
        assert len(everything(store)) == 60_000
        store.close()
