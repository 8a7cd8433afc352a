"""The log of a running program as JSON lines, and completion by a real shell."""

from __future__ import annotations

import json
import logging
import os
import shutil
import signal
import subprocess
import sys
from collections import Counter
from datetime import datetime
from pathlib import Path

import pytest

from api.cli import COMMANDS
from api.commands.logs import JsonFormatter, TextFormatter
from tests.engines import free_port
from tests.house.test_imports import ROOT

OUTLAST = (sys.executable, "-m", "api")


def collecting(folder: Path, *options: str) -> list[str]:
    """What a collector without a broker writes to stderr, up to its first lines and at its end."""
    (folder / "outlast.toml").write_text(f'[broker]\nurl = "mqtt://127.0.0.1:{free_port()}"\n', encoding="utf-8")
    with subprocess.Popen(
        [*OUTLAST, "collect", "--config", str(folder), *options], cwd=ROOT, stderr=subprocess.PIPE, text=True
    ) as running:
        assert running.stderr is not None
        try:
            first = running.stderr.readline()
            running.send_signal(signal.SIGTERM)
            rest = running.stderr.read()
        finally:
            running.kill()
    return [first.rstrip(), *rest.splitlines()]


def test_a_log_of_json_lines(tmp_path: Path) -> None:
    """What a collector without a broker says is grave, so the level leaves it in."""
    lines = [json.loads(line) for line in collecting(tmp_path, "--log-format", "json", "--log-level", "warning")]
    assert {line["level"] for line in lines} == {"warning"}
    for line in lines:
        assert set(line) - {"exception"} == {"time", "level", "logger", "message"}
        assert datetime.fromisoformat(line["time"]).tzinfo is not None
        assert line["message"]


SPEAKS = """
import logging, sys
from api.commands.logs import LogFormat, LogLevel, log_to_stderr
log_to_stderr(LogLevel(sys.argv[1]), LogFormat.JSON)
for name in ("outlast.member", "library", "httpx"):
    for level in ("DEBUG", "INFO", "WARNING", "ERROR"):
        logging.getLogger(name).log(getattr(logging, level), "a word")
"""


@pytest.mark.parametrize(
    ("level", "own", "of_a_library", "talkative"),
    [("error", 1, 1, 1), ("warning", 2, 2, 2), ("info", 3, 3, 2), ("debug", 4, 3, 2)],
)
def test_a_level_leaves_out_what_is_less_grave(level: str, own: int, of_a_library: int, talkative: int) -> None:
    """Libraries say nothing below info, and those that name addresses nothing below a warning."""
    asked = [sys.executable, "-c", SPEAKS, level]
    said = subprocess.run(asked, cwd=ROOT, capture_output=True, text=True, check=True).stderr
    lines = Counter(json.loads(line)["logger"] for line in said.splitlines())
    assert lines == {"outlast.member": own, "library": of_a_library, "httpx": talkative}


@pytest.fixture(scope="module")
def bash_script(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A command of the program's name, as the script calls it, and the script that it gives to the shell."""
    name = tmp_path_factory.mktemp("bin") / "outlast"
    name.write_text(f'#!/bin/sh\nexec {" ".join(OUTLAST)} "$@"\n', encoding="utf-8")
    name.chmod(0o755)
    script = subprocess.run([str(name), "completion", "bash"], cwd=ROOT, capture_output=True, text=True, check=True)
    return name, script.stdout


@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        ("outlast re", {"ready", "replay", "report", "restore"}),
        ("outlast run --log-format ", {"text", "json"}),
        pytest.param("outlast alarms sh", {"shelve"}, marks=pytest.mark.slow),
        pytest.param("outlast run --log-l", {"--log-level"}, marks=pytest.mark.slow),
        pytest.param("outlast ", set(COMMANDS), marks=pytest.mark.slow),
    ],
)
def test_bash_completes(typed: str, offered: set[str], bash_script: tuple[Path, str]) -> None:
    name, script = bash_script
    shell = shutil.which("bash")
    assert shell is not None
    words = " ".join(f'"{word}"' for word in typed.split(" "))
    asking = (
        f"{script}\nCOMP_WORDS=({words}); COMP_CWORD={typed.count(' ')}; "
        f'_outlast_completion {name}; printf "%s\\n" "${{COMPREPLY[@]}}"'
    )
    done = subprocess.run([shell, "-c", asking], cwd=ROOT, capture_output=True, text=True, timeout=120, check=True)
    assert set(done.stdout.split()) == offered, done.stderr


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_other_shells_get_a_script_that_asks_the_program(shell: str) -> None:
    done = subprocess.run([*OUTLAST, "completion", shell], cwd=ROOT, capture_output=True, text=True, check=True)
    assert f"_OUTLAST_COMPLETE=complete_{shell}" in done.stdout
    environ = {**os.environ, "_OUTLAST_COMPLETE": f"complete_{shell}", "_TYPER_COMPLETE_ARGS": "outlast dem"}
    environ |= {"_TYPER_COMPLETE_FISH_ACTION": "get-args"}
    offered = subprocess.run(OUTLAST, cwd=ROOT, env=environ, capture_output=True, text=True, timeout=120, check=True)
    assert "demo" in offered.stdout
    assert "discharge" not in offered.stdout


def test_nothing_from_outside_begins_a_line_of_the_log() -> None:
    """ASVS 5.0 V16.4.1: a topic or an answer with line breaks and terminal codes stays one line, in either format."""
    hostile = "plug\n2026-01-01 00:00:00,000 ERROR outlast all is lost\x1b[2J\u2028\r"
    record = logging.LogRecord("outlast", logging.WARNING, "", 0, "topic %s", (hostile,), None)
    for formatter in (TextFormatter("%(message)s"), JsonFormatter()):
        line = formatter.format(record)
        assert not set(line) & set("\n\r\x1b")
    assert TextFormatter("%(message)s").format(record).startswith("topic plug\\u000a2026")
    try:
        raise ValueError(hostile)
    except ValueError:
        record.exc_info = sys.exc_info()
    text, lines = TextFormatter("%(message)s").format(record), JsonFormatter().format(record)
    assert not set(text + lines) & set("\r\x1b\u2028")
    assert all(line.startswith("    ") for line in text.split("\n")[1:])
    assert "\n" not in lines
    assert json.loads(lines)["exception"].endswith(hostile)
