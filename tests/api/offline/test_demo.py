"""The demo: its clock waits for what was sent, and a whole one runs from the mains failing to its return."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import httpx
import pytest

from api.offline.demo import AHEAD_MS, PATIENCE_S, ClockLimit, LapseClock
from forecaster.segment.rhythm import LEAST_SILENCE_MS

START_MS = 1_772_500_000_000
GIVE_UP_S = 300.0


@pytest.fixture
def real(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Real seconds, moved by hand."""
    at_s = [50.0]
    monkeypatch.setattr(time, "monotonic", lambda: at_s[0])
    return at_s


def test_the_clock_runs_fast_and_waits_at_its_limit(real: list[float]) -> None:
    clock = LapseClock(START_MS, 60.0)
    real[0] += 2.0
    assert clock.now_ms() == START_MS + 120_000
    clock.hold(START_MS + 150_000)
    real[0] += 10.0
    assert clock.now_ms() == START_MS + 150_000
    assert clock.monotonic_s() == real[0]
    clock.hold(START_MS + 1_000_000)
    real[0] += 1.0
    assert clock.now_ms() == START_MS + 210_000  # what it waited is not made up for
    clock.hold(START_MS)
    real[0] += 1.0
    assert clock.now_ms() == START_MS + 210_000  # and it never steps back


def test_the_limit_is_what_came_through(real: list[float]) -> None:
    """Sent and folded: on to where the cellars are. Sent and not folded: only to where the forecaster is."""
    limit = ClockLimit(START_MS)
    assert limit.limit_ms(0, real[0]) == START_MS + AHEAD_MS
    limit.sent(START_MS + 40_000)
    limit.passed(START_MS + 55_000)
    assert limit.limit_ms(START_MS + 10_000, real[0]) == START_MS + 10_000 + AHEAD_MS
    assert limit.limit_ms(START_MS + 40_000, real[0]) == START_MS + 55_000 + AHEAD_MS
    limit.passed(START_MS + 500_000)  # a house that has gone quiet does not stop the clock
    assert limit.limit_ms(START_MS + 40_000, real[0]) == START_MS + 500_000 + AHEAD_MS
    limit.sent(START_MS + 600_000)
    limit.passed(START_MS + 600_000)
    real[0] += PATIENCE_S / 2
    assert limit.limit_ms(START_MS + 40_000, real[0]) == START_MS + 500_000 + AHEAD_MS
    real[0] += PATIENCE_S
    assert limit.limit_ms(START_MS + 40_000, real[0]) == START_MS + 600_000 + AHEAD_MS


def test_the_clock_waits_before_anybody_could_speak_of_silence() -> None:
    assert AHEAD_MS < LEAST_SILENCE_MS


@dataclass
class Watched:
    """A running demo as its event stream tells it: (site, supply) in order of change, alarms, medians on the pack."""

    process: subprocess.Popen[str]
    base: str
    supplies: list[tuple[str, str]] = field(default_factory=list)
    alarms: list[tuple[str, str, str]] = field(default_factory=list)
    charges: list[float] = field(default_factory=list)

    def events(self) -> Iterator[tuple[str, dict[str, Any]]]:
        with httpx.stream("GET", f"{self.base}/api/v1/stream", timeout=GIVE_UP_S) as answer:
            kind = ""
            for line in answer.iter_lines():
                if line.startswith("event: "):
                    kind = line.removeprefix("event: ")
                elif line.startswith("data: "):
                    yield kind, json.loads(line.removeprefix("data: "))

    def until(self, supply: tuple[str, str], forecasts: int, told: tuple[str, str, str] | None = None) -> None:
        """Follow the stream until a site is carried so, some forecasts more, and until an alarm has said so too."""
        give_up_s, seen = time.monotonic() + GIVE_UP_S, 0
        for kind, data in self.events():
            assert time.monotonic() < give_up_s, f"{supply} did not come; {self.supplies} {self.alarms}"
            if kind == "alarm":
                self.alarms.append((data["site"], data["kind"], data["transition"]))
            if kind != "forecast":
                continue
            now = (data["site"], data["supply"])
            if next((s for s in reversed(self.supplies) if s[0] == now[0]), None) != now:
                self.supplies.append(now)
            if now == supply:
                seen += 1
                self.charges.append(data["charge_percent"])
            if supply in self.supplies and seen >= forecasts and (told is None or told in self.alarms):
                return


@contextmanager
def demo(*words: str) -> Iterator[Watched]:
    """A real `outlast demo`; at the end ctrl-C, exit 0, and nothing said but what it says at the start."""
    code = "import sys; from api.cli import main; sys.exit(main(sys.argv[1:]))"
    process = subprocess.Popen(
        [sys.executable, "-u", "-c", code, "demo", "--port", "0", *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        address = next(line for line in process.stdout if "http://" in line)
        base = address.split()[-1].rstrip("/")
        assert base.startswith("http://127.0.0.1:")
        wait_ready(base)
        yield Watched(process, base)
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=GIVE_UP_S) == 0
        assert process.communicate()[1] == ""
    finally:
        process.kill()
        process.communicate()


def wait_ready(base: str) -> None:
    give_up_s = time.monotonic() + 120.0
    while time.monotonic() < give_up_s:
        try:
            if httpx.get(f"{base}/readyz", timeout=10.0).status_code == 200:
                return
        except httpx.TransportError:
            time.sleep(0.1)
    raise AssertionError("the demo does not answer")


@pytest.mark.slow
def test_the_mains_fails_the_forecast_counts_down_and_nobody_is_silent() -> None:
    """At five times the usual speed: the clock waits for the messages however busy the machine is."""
    with demo("--speed", "300", "--fail-after", "2") as watched:
        watched.until(("larkspur", "pack"), forecasts=12)
    assert ("larkspur", "mains-lost", "raised") in watched.alarms
    assert not [alarm for alarm in watched.alarms if alarm[1] == "telemetry-silent"]
    assert watched.charges[-1] < watched.charges[0]
    assert sorted(watched.charges, reverse=True) == watched.charges


@pytest.mark.long
def test_the_mains_returns() -> None:
    """The workshop at number 9 has its mains back after four hours; as fast as it goes."""
    with demo("--speed", "600", "--fail-after", "2") as watched:
        watched.until(("larkspur-9", "pack"), forecasts=1)
        watched.until(("larkspur-9", "mains"), forecasts=1, told=("larkspur-9", "mains-lost", "cleared"))
    assert not [alarm for alarm in watched.alarms if alarm[1] == "telemetry-silent"]
