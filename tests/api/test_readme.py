"""What the README says to type is typed, in a folder made of the README's own files; what it prints is looked for."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest

from tests.engines import ROOT, free_port, wait_until

README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS: list[tuple[str, str]] = re.findall(r"^```(\w*)\n(.*?)^```", README, re.DOTALL | re.MULTILINE)
TYPED = [
    line.partition("#")[0].strip() for kind, block in BLOCKS if kind == "sh" for line in block.splitlines() if line
]
TOML = [block for kind, block in BLOCKS if kind == "toml"]
PRINTED = [block for kind, block in BLOCKS if kind == ""]
LINES = 150


def test_it_is_short_enough_to_finish() -> None:
    assert len(README.splitlines()) <= LINES


def test_every_command_is_run_below() -> None:
    """`./deploy/test` is the run that runs this."""
    assert TYPED == [
        "./deploy/demo",
        "./deploy/test",
        "outlast check --config basement",
        "outlast run --config basement",
        "outlast size basement/sites/larkspur.toml --cycles-per-hour 20 --run-s 10",
    ]


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A folder that holds `basement`, of the README's files; the broker is the program's own, on free ports."""
    installation, site = TOML
    basement = tmp_path / "basement"
    (basement / "sites").mkdir(parents=True)
    (basement / "sites" / "larkspur.toml").write_text(site, encoding="utf-8")
    assert 'url = "mqtt://127.0.0.1:1883"' in installation
    ours = installation.replace('"mqtt://127.0.0.1:1883"', f'"embedded"\nlisten_port = {free_port()}')
    (basement / "outlast.toml").write_text(f"{ours}\n[http]\nport = {free_port()}\n", encoding="utf-8")
    return tmp_path


def words(command: str) -> list[str]:
    """A command of the README as this Python runs it."""
    program, *rest = command.split()
    assert program == "outlast"
    return [sys.executable, "-m", "api", *rest]


def typed(start: str) -> str:
    """The command of the README that begins so."""
    return next(line for line in TYPED if line.startswith(start))


@dataclass
class Running:
    """A program and the file of what it says."""

    process: subprocess.Popen[bytes]
    said: Path

    def says(self, enough: Callable[[str], bool]) -> str:
        """What it has said once that is enough; an AssertionError where it ended before."""
        wait_until(lambda: self.process.poll() is not None or enough(self.said.read_text()), "the program", 170.0)
        assert self.process.poll() is None, self.said.read_text()
        return self.said.read_text()


@contextmanager
def running(command: list[str], folder: Path) -> Iterator[Running]:
    """A program that runs while the block does, and then ends well by ctrl-C."""
    said = folder / "said.txt"
    with said.open("w") as out:
        process = subprocess.Popen(command, cwd=folder, stdout=out, stderr=subprocess.STDOUT, env=ENVIRONMENT)
    try:
        yield Running(process, said)
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=120.0) == 0, said.read_text()
    finally:
        process.kill()
        process.wait()


ENVIRONMENT = {"PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1", "PATH": "/usr/bin:/bin", "HOME": "/nonexistent"}


def test_run_and_check_as_the_readme_says(place: Path) -> None:
    with running(words(typed("outlast run")), place) as made:
        address = made.says(lambda said: "Outlast is at" in said).partition("Outlast is at ")[2].split()[0]
        made.says(lambda _: _serves(address))
        check = [*words(typed("outlast check")), "--seconds", "1"]
        done = subprocess.run(check, cwd=place, env=ENVIRONMENT, capture_output=True, text=True, check=False)
        assert done.returncode == 1, "nothing speaks yet"
        assert re.findall(r"^SILENT +larkspur (\w+)", done.stdout, re.MULTILINE) == ["pump_power", "pack_charge"]


def _serves(address: str) -> bool:
    try:
        return httpx.get(address, timeout=30.0).status_code == 200
    except httpx.TransportError:
        return False


def test_size_as_the_readme_says(place: Path) -> None:
    command = words(typed("outlast size"))
    done = subprocess.run(command, cwd=place, env=ENVIRONMENT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.startswith("Unproven: "), "nothing but a live start proves that a pump starts"
    assert "Hours to the reserve floor" in done.stdout
    # 115 V x 5.2 A x 0.65 for 10 s, 20 times an hour: 21.6 Wh/h of 1,024 Wh
    assert re.search(r"^Simple estimate, .*: 47\.4 h$", done.stdout, re.MULTILINE)


@pytest.mark.slow
def test_demo_prints_what_the_readme_says(tmp_path: Path) -> None:
    """The script itself, with this interpreter for the environment that it would make."""
    (tmp_path / "deploy").mkdir()
    shutil.copy2(ROOT / "deploy" / "demo", tmp_path / "deploy")
    for name, text in (
        ("deploy/environment", f"echo {tmp_path}/bin/python"),
        ("bin/outlast", f'exec {sys.executable} -m api "$@"'),
    ):
        script = tmp_path / name
        script.parent.mkdir(exist_ok=True)
        script.write_text(f"#!/bin/sh\n{text}\n")
        script.chmod(0o755)
    wanted = PRINTED[0].splitlines()
    with running([*typed("./deploy/demo").split(), "--port", "0"], tmp_path) as made:
        said = made.says(lambda said: said.count("\n") >= len(wanted))
        address = said.partition("Outlast demo: ")[2].split()[0]
        made.says(lambda _: _serves(address))
    printed = re.sub(r"127\.0\.0\.1:\d+", "127.0.0.1:8642", said).splitlines()
    assert printed[: len(wanted)] == wanted
