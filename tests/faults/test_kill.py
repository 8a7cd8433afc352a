"""kill -9 at each step between transition and delivery, on every channel: at least once, and once only by its key."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.api.deliver.test_courier_mail import Mailbox, serving
from tests.api.deliver.test_courier_push import Browser
from tests.api.delivering import Receiver, eventually, ledger_in, listening, told
from tests.api.mosquitto import Hub, Mosquitto
from tests.engines import ROOT
from tests.forecaster.evidence import START_MS

CHANNELS = ("webhook", "push", "mail", "mqtt", "homie")


@dataclass
class Far:
    """The far end of a channel: where it listens, and the keys it was given, repeats included."""

    port: int
    keys: Callable[[], list[str]]


@contextmanager
def far_end(channel: str, folder: Path) -> Iterator[Far]:
    """A real receiver of the channel."""
    if channel in ("webhook", "push"):
        with listening(Receiver()) as receiver:
            browser = Browser()
            if channel == "push":
                ledger = ledger_in(folder)
                browser.subscribe(ledger, receiver.url)
                ledger.close()
                yield Far(receiver.port, lambda: [browser.open(item.body)["key"] for item in receiver.heard])
            else:
                yield Far(receiver.port, receiver.keys)
        return
    if channel == "mail":
        box = Mailbox()
        with serving(box, folder, "none") as settings:
            yield Far(settings.port, lambda: [mail["Message-ID"] for mail in box.mails])
        return
    broker = Mosquitto(folder)
    broker.start()
    topic = "outlast/larkspur/alarm/high-water" if channel == "mqtt" else "homie/5/outlast-larkspur/alarms/high-water"
    hub = Hub(broker.port, topic)
    try:
        if channel == "mqtt":
            yield Far(broker.port, lambda: [f"{json.loads(p)['id']}:{json.loads(p)['revision']}" for _, p in hub.all])
        else:
            yield Far(broker.port, lambda: [payload.decode() for _, payload in hub.all if payload != b"normal"])
    finally:
        hub.close()
        broker.stop()


def run(channel: str, folder: Path, port: int, step: str) -> int:
    command = [sys.executable, "-m", "tests.faults.carry_and_die", channel, str(folder), str(port), step]
    return subprocess.run(command, cwd=ROOT, timeout=120, check=False).returncode


EVERY_STEP = ("before-commit", "after-commit", "before-send", "after-send", "after-settle")
AROUND_SENDING = ("before-send", "after-send")
CASES = [
    *(pytest.param(channel, AROUND_SENDING) for channel in CHANNELS[1:]),
    pytest.param("webhook", EVERY_STEP),
    *(pytest.param(channel, EVERY_STEP, marks=pytest.mark.long) for channel in CHANNELS[1:]),
]


@pytest.mark.parametrize(("channel", "steps"), CASES)
def test_nothing_is_lost_and_a_repeat_carries_the_same_key(
    channel: str, steps: tuple[str, ...], tmp_path: Path
) -> None:
    with far_end(channel, tmp_path) as far:
        for step in steps:
            if step != "after-settle":
                assert run(channel, tmp_path, far.port, step) == -signal.SIGKILL, step
        ledger = ledger_in(tmp_path)
        assert ledger.alarm(told().alarm.id).revision == 0
        assert len(ledger.due(channel, START_MS + 3_600_000)) == 1
        ledger.close()
        if "after-settle" in steps:
            assert run(channel, tmp_path, far.port, "after-settle") == -signal.SIGKILL
        assert run(channel, tmp_path, far.port, "never") == 0
        eventually(lambda: bool(far.keys()), "the delivery")
        keys = far.keys()
    assert len(keys) >= 2  # once before the kill after sending, once again
    assert len(set(keys)) == 1


@pytest.mark.slow
def test_a_kill_before_the_commit_leaves_nothing_half_done(tmp_path: Path) -> None:
    assert run("webhook", tmp_path, 9, "before-commit") == -signal.SIGKILL
    ledger = ledger_in(tmp_path)
    assert ledger.alarms() == []
    assert ledger.oldest_undelivered_ms() is None
    ledger.close()
