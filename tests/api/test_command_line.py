"""The command line: its help is quick and whole, wrong use is one line and exit 2."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from api.cli import COMMANDS, main, usage
from forecaster.texts.catalogue import words as words_in

HEAVY = ("numpy", "scipy", "pandas", "statsmodels", "fastapi", "pydantic", "sqlalchemy", "typer", "pint", "httpx")


def said(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(words)
    told = capsys.readouterr()
    return code, told.out, told.err


def test_help_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    for words in ([], ["--help"], ["-h"], ["help"]):
        code, out, err = said(capsys, *words)
        assert (code, err) == (0, "")
        assert out == usage()
    for name in COMMANDS:
        assert f"  {name} " in usage()
        assert words_in()(f"command.table.{name}") in usage()


def test_help_imports_nothing_heavy() -> None:
    """What `outlast --help` costs is what it imports."""
    code = f"import sys; from api.cli import main; main(['--help']); sys.exit(any(m in sys.modules for m in {HEAVY}))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_loads_and_shows_an_example(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = said(capsys, name, "--help")
    assert (code, err) == (0, "")
    assert f"outlast {name}" in out
    assert "Example: outlast" in out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("forecats",), "did you mean `outlast forecast`?"),
        (("xyz",), "`outlast --help` lists them"),
        (("run", "--nonsense"), "--nonsense"),
        (("run", "--config", "/nowhere/at/all"), "/nowhere/at/all"),
        (("collect", "--share", "7/5"), "7/5"),
        (("replay", "--site", "/nowhere.toml", "x.log"), "/nowhere.toml"),
        (("token", "revoke"), "'token'"),
        (("demo", "--speed", "fast"), "--speed"),
    ],
)
def test_wrong_use_is_one_line_and_exit_2(
    words: tuple[str, ...],
    told: str,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "outlast.toml").write_text("", encoding="utf-8")
    code, out, err = said(capsys, *words)
    assert code == 2
    assert out == ""
    assert err.count("\n") == 1
    assert told in err


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = said(capsys, "--version")
    assert code == 0
    assert out.startswith("outlast 0.")


def test_a_reader_that_goes_away_is_no_error() -> None:
    """`outlast … | head` ends quietly."""
    command = f"{sys.executable} -c 'import sys; from api.cli import main; sys.exit(main(sys.argv[1:]))'"
    line = f"{command} completion --help | true"
    done = subprocess.run(["bash", "-c", line], capture_output=True, text=True, timeout=60, check=False)
    assert done.stderr == ""
