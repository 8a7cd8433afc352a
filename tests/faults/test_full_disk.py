"""A full disk: alarms still leave, from the room that is kept for them."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.deliver.ballast import NAME, Ballast
from api.deliver.webhook import WebhookCarrier
from forecaster.domain.alarms import AlarmKind
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.ports import StoredForecast
from tests.api.delivering import Receiver, SteppedClock, courier, ledger_in, listening, owe, told, with_webhook
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
            owe(ledger, site, [transition], START_MS)
        assert ballast.release()
        owe(ledger, site, [transition], START_MS)
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
