"""Machines that fail: slow disks, disks that turn read-only, little memory, names that hang, clocks that are set.

Slow and refusing disks are made by strace(1) at the running process's system calls; a resolver that never answers by a
mount namespace with a resolv.conf of its own (as root); clocks by libfaketime.
"""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.api.delivering import Receiver, listening
from tests.api.process.houses import PATIENCE_S, House, one
from tests.engines import wait_until
from tests.servers import mosquitto

__all__ = ["mosquitto", "one"]

pytestmark = pytest.mark.timeout(1200)

LIMIT_MB = 400.0
EACH = 200


def all_stored(one: House) -> None:
    wait_until(lambda: one.stored() >= one.sent, f"{one.sent} rows", PATIENCE_S)
    assert one.stored() == one.sent
    sys.stdout.write(f"{one.sent} in, {one.sent} stored, at most {one.peak_mb():.0f} MB\n")
    assert one.peak_mb() < LIMIT_MB


@contextmanager
def system_calls(one: House, *injected: str) -> Iterator[None]:
    """Let some of the running process's system calls be slow, or fail, while the block runs."""
    assert one.process is not None
    options = [word for rule in injected for word in ("-e", f"inject={rule}")]
    names = ",".join(rule.partition(":")[0] for rule in injected)
    command = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={names}", *options, "-p", str(one.process.pid)]
    tracer = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    status = Path(f"/proc/{one.process.pid}/status")
    try:
        wait_until(lambda: f"TracerPid:\t{tracer.pid}" in status.read_text(), "strace", PATIENCE_S)
        yield
    finally:
        tracer.send_signal(signal.SIGTERM)
        tracer.wait(PATIENCE_S)


def test_a_disk_that_takes_50_ms_to_sync(one: House) -> None:
    """In: 400 messages, half of them while every sync takes 50 ms. Out: 400 rows, live and ready."""
    one.start()
    one.publish(EACH)
    with system_calls(one, "fdatasync,fsync:delay_exit=50000"):
        one.publish(EACH)
        all_stored(one)
        assert (one.status("/livez"), one.status("/readyz")) == (200, 200)


def test_a_disk_that_turns_read_only(one: House) -> None:
    """In: 400 messages, half of them while nothing can be written. Out: told, live, not ready; 400 rows after."""
    one.start()
    one.publish(EACH)
    all_stored(one)
    with system_calls(one, "pwrite64,fdatasync,ftruncate:error=EROFS"):
        one.publish(EACH)
        wait_until(lambda: one.status("/readyz") == 503, "the failing disk to be told", PATIENCE_S)
        assert one.status("/livez") == 200
        assert one.ended() is None
    all_stored(one)
    wait_until(lambda: one.status("/readyz") == 200, "being ready again", PATIENCE_S)


def test_a_disk_that_is_read_only_at_the_start(one: House, tmp_path: Path) -> None:
    """Out: exit 2 and one line, as for any settings that cannot be used."""
    disk = tmp_path / "disk"
    disk.mkdir()
    settings = one.folder / "outlast.toml"
    settings.write_text(settings.read_text().replace("sqlite:///outlast.db", f"sqlite:///{disk}/outlast.db"))
    subprocess.run(["mount", "-t", "tmpfs", "-o", "ro", "tmpfs", str(disk)], check=True)
    try:
        assert one.spawn("run").wait(PATIENCE_S) == 2
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)
    assert len(one.log.read_text().splitlines()) == 1
    assert "cannot be written" in one.log.read_text()


def test_memory_that_runs_out(one: House) -> None:
    """In: 2,000 messages at an address space that ends 4 MB above what is in use. Out: it goes on or ends with a code
    within the time of a supervisor's patience, never a shell that says ok; started anew, 2,200 rows."""
    one.start()
    one.publish(EACH)
    wait_until(lambda: one.stored() == EACH, "the first rows", PATIENCE_S)
    assert one.process is not None
    status = Path(f"/proc/{one.process.pid}/status").read_text()
    used = int(re.findall(r"VmSize:\s+(\d+)", status)[0]) * 1024
    subprocess.run(["prlimit", f"--pid={one.process.pid}", f"--as={used + (4 << 20)}"], check=True)
    one.publish(10 * EACH)
    wait_until(lambda: one.ended() is not None or one.stored() == one.sent, "an end, or all rows", PATIENCE_S)
    assert one.ended() is None or one.ended() != 0
    one.kill()
    one.start()
    all_stored(one)


SLOW_NAMES = "nameserver 127.0.0.153\noptions timeout:30 attempts:3\n"


def test_names_that_hang(one: House, tmp_path: Path) -> None:
    """In: a weather service and two contacts whose names are never answered, and one who can be reached; 200 messages.
    Out: 200 rows, the reachable one told, and an end in time, though the look-ups still hang."""
    resolver = tmp_path / "resolv.conf"
    resolver.write_text(SLOW_NAMES)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as silent, listening(Receiver()) as receiver:
        silent.bind(("127.0.0.153", 53))
        with (one.folder / "sites" / "cellar-00000.toml").open("a") as file:
            file.write(
                '[[channels]]\nquantity = "high_water"\ntopic = "fleet/cellar-00000/wet"\n'
                '[[contacts]]\nname = "far"\nwebhook = "http://pump.larkspur.example/hook"\n'
                '[[contacts]]\nname = "afar"\nwebhook = "http://well.larkspur.example/hook"\n'
                f'[[contacts]]\nname = "owner"\nwebhook = "{receiver.url}"\n'
                '[weather]\nurl = "http://rain.larkspur.example/"\ntime = "$.t[*]"\nrain = "$.r[*]"\nunit = "mm"\n'
            )
        inside = ["unshare", "-m", "sh", "-c", f'mount --bind {resolver} /etc/resolv.conf && exec "$0" "$@"']
        one.start(prefix=inside)
        one.publish(EACH)
        one.broker.publish([("fleet/cellar-00000/wet", b"1")])
        wait_until(lambda: len(receiver.heard) > 0, "the one who can be reached", PATIENCE_S)
        wait_until(lambda: one.stored() == EACH + 1, "the rows", PATIENCE_S)
        assert one.status("/livez") == 200
        sys.stdout.write(f"{EACH + 1} in, {EACH + 1} stored, at most {one.peak_mb():.0f} MB\n")
        assert one.peak_mb() < LIMIT_MB
        assert one.process is not None
        one.process.send_signal(signal.SIGTERM)
        assert one.process.wait(60.0) == 0  # a look-up would hold it up for 90 s


@pytest.mark.long
def test_a_clock_that_is_set_by_hours_while_it_runs(one: House, tmp_path: Path) -> None:
    """In: 20 messages before, after a step of 3 h on and after one of 5 h back. Out: 60 rows, live and ready."""
    [library] = map(str, Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))
    told = tmp_path / "faketime"
    told.write_text("+0\n")
    one.start(
        LD_PRELOAD=library, FAKETIME_TIMESTAMP_FILE=str(told), FAKETIME_CACHE_DURATION="1",
        DONT_FAKE_MONOTONIC="1", FAKETIME_DONT_FAKE_MONOTONIC="1",
    )  # fmt: skip
    one.publish(20)
    wait_until(lambda: one.stored() == 20, "the rows before", PATIENCE_S)
    for step, count in (("+3h\n", 40), ("-2h\n", 60)):
        told.write_text(step)
        one.publish(20)
        wait_until(lambda: one.status("/livez") == 200, "an answer", PATIENCE_S)
        wait_until(lambda: one.stored() == one.sent, f"{count} rows", PATIENCE_S)
    assert one.ended() is None
    wait_until(lambda: one.status("/readyz") == 200, "being ready", PATIENCE_S)
