"""SIGINT, SIGTERM and SIGHUP at every stage of a process: it ends, nothing is lost, and the next start is well."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.api.process.houses import PATIENCE_S, House, house
from tests.engines import wait_until
from tests.servers import Mosquitto, mosquitto

__all__ = ["mosquitto"]

EACH = 20


def starting(one: House) -> None:
    """While its stores are opened: the lock is taken, nothing answers yet."""
    (one.folder / "outlast-collect.lock").unlink(missing_ok=True)
    one.process = one.spawn("run")
    wait_until((one.folder / "outlast-collect.lock").exists, "the first sign of life", PATIENCE_S)


def running(one: House) -> None:
    """At work, with messages just sent."""
    one.start()
    one.publish(EACH)


def reloading(one: House) -> None:
    """While changed site files are taken up."""
    one.start()
    one.publish(EACH)
    before = one.log.read_text().count("site files changed")
    site = one.folder / "sites" / "cellar-00000.toml"
    site.write_text(site.read_text() + "\n")
    site.write_text(site.read_text().replace('name = "Cellar 0', 'name = "Cellar 00'))
    wait_until(lambda: one.log.read_text().count("site files changed") > before, "the change", PATIENCE_S)


def stopping(one: House) -> None:
    """While it ends already."""
    one.start()
    one.publish(EACH)
    assert one.process is not None
    one.process.send_signal(signal.SIGTERM)


STAGES: dict[str, Callable[[House], None]] = {s.__name__: s for s in (starting, running, reloading, stopping)}
SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
ALL = [(stage, number) for stage in STAGES for number in SIGNALS]
SHORT = [("starting", signal.SIGTERM), ("running", signal.SIGHUP), ("stopping", signal.SIGINT)]


@pytest.mark.timeout(1800)
@pytest.mark.parametrize("which", [SHORT, pytest.param(ALL, marks=pytest.mark.long)], ids=["short", "all"])
def test_a_signal_at_every_stage(tmp_path: Path, mosquitto: Mosquitto, which: list[tuple[str, signal.Signals]]) -> None:
    """In: 20 messages a life that is ended by a signal. Out: exit 0, or the signal's own before it was at work; all."""
    with house(tmp_path / "house", mosquitto) as one:
        one.write()
        one.start()
        wait_until(lambda: one.health().get("status") == "ok", "the first start", PATIENCE_S)
        one.stop()
        for stage, number in which:
            STAGES[stage](one)
            assert one.process is not None
            os.kill(one.process.pid, number)
            code = one.process.wait(PATIENCE_S)
            assert code in ((0, 1, 130, -number) if stage == "starting" else (0,)), (stage, number, one.log.read_text())
        one.start()
        wait_until(lambda: one.rows() == one.sent, "all rows", PATIENCE_S)
        assert one.status("/readyz") == 200
