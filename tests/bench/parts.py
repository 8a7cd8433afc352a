"""One process of an installation under load, and what it took: processor time, memory, what its metrics tell."""

from __future__ import annotations

import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import psutil

from tests.engines import ROOT, free_port

CALL = "import sys; from api.cli import main; sys.exit(main())"
SHED = "outlast_forecaster_shed_seconds"
METRICS_EVERY = 6
"""One look in so many asks for the metrics: with thousands of sites who carries them takes a while to tell."""


@dataclass
class Part:
    """One process, with its children, and what it took.

    metrics_port : int | None — where it tells its metrics; log : Path | None — what it says
    shed_s : list[float] — what load added to the interval on mains, now and then, of a forecaster [s]
    """

    name: str
    process: subprocess.Popen[bytes]
    metrics_port: int | None = None
    log: Path | None = None
    cpu_s: float = 0.0
    seen_s: float = 0.0
    peak_mb: float = 0.0
    looks: int = 0
    before: tuple[float, float] | None = None
    shed_s: list[float] = field(default_factory=list)

    def require_alive(self) -> None:
        """AssertionError, with the end of its log, where it has ended by itself."""
        said = "" if self.log is None else self.log.read_text(errors="replace")[-2_000:]
        assert self.process.poll() is None, f"{self.name} has ended by itself: {said}"

    def sample(self) -> None:
        """Read processor time since the first sample, memory, and what load added to the interval."""
        self.require_alive()
        spent_s, resident_mb = spent(psutil.Process(self.process.pid))
        now = (spent_s, time.monotonic())
        self.before = self.before or now
        self.cpu_s, self.seen_s = now[0] - self.before[0], now[1] - self.before[1]
        self.peak_mb = max(self.peak_mb, resident_mb)
        self.looks += 1
        if self.metrics_port is not None and self.looks % METRICS_EVERY == 1:
            self.shed_s.append(gauge(self.metrics_port, SHED))

    def told(self) -> str:
        """What it took, as a line."""
        shed = f", added to the interval on mains at most {max(self.shed_s):.0f} s" if self.shed_s else ""
        return f"{self.name}: {self.cpu_s / self.seen_s:.0%} of a core, {self.peak_mb:.0f} MB at most{shed}"


def spent(process: psutil.Process) -> tuple[float, float]:
    """Processor time [s] and memory [MB] of a process and its children, those that have ended included."""
    times = process.cpu_times()
    cpu_s = times.user + times.system + times.children_user + times.children_system
    resident_mb = process.memory_info().rss / 1e6
    for child in process.children(recursive=True):
        with suppress(psutil.NoSuchProcess):  # gone since: its time is among its parent's at the next sample
            own = child.cpu_times()
            cpu_s += own.user + own.system
            resident_mb += child.memory_info().rss / 1e6
    return cpu_s, resident_mb


def gauge(port: int, name: str) -> float:
    """The newest value of a metric without labels at a port of loopback."""
    text = httpx.get(f"http://127.0.0.1:{port}/metrics", timeout=30).text
    (line,) = (line for line in text.splitlines() if line.startswith(f"{name} "))
    return float(line.split()[1])


def start(folder: Path, name: str, command: str, *more: str, metrics: bool = False) -> Part:
    """`outlast COMMAND` on the installation, its words in a log beside it.

    name : str — told of it; metrics : bool — whether it is to tell its metrics
    """
    port = free_port() if metrics else None
    wanted = [] if port is None else ["--metrics-port", str(port)]
    words = [sys.executable, "-c", CALL, command, "--config", str(folder), *more, *wanted]
    said = folder / f"{name}.log".replace("/", "-").replace(" ", "-")
    with said.open("ab") as log:
        return Part(name, subprocess.Popen(words, cwd=ROOT, stdout=log, stderr=log), port, said)
