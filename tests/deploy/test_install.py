"""The install script, for real, under a folder of its own: install, upgrade, rollback."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.engines import ROOT

TREE = ("README.md", "pyproject.toml", "api", "collector", "forecaster", "deploy")


def checkout(folder: Path, version: str) -> Path:
    """A copy of this checkout that calls itself another version."""
    folder.mkdir()
    for source in (ROOT / name for name in TREE):
        if source.is_dir():
            shutil.copytree(source, folder / source.name, ignore=shutil.ignore_patterns("__pycache__", "*.egg-info"))
        else:
            shutil.copy2(source, folder / source.name)
    face = folder / "api" / "__init__.py"
    lines = face.read_text().splitlines()
    face.write_text("\n".join(f'__version__ = "{version}"' if w.startswith("__version__") else w for w in lines) + "\n")
    return folder


def install(tree: Path, root: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """Run the script in a home of its own: what pip and compilers keep there goes with the test."""
    home = root.parent / "home"
    home.mkdir(exist_ok=True)
    keeps = {"HOME": str(home), "PIP_CACHE_DIR": str(ROOT / ".venv-pip")}
    known = {"PIP_CONFIG_FILE": str(Path.home() / ".config" / "pip" / "pip.conf"), **os.environ}
    command = [str(tree / "deploy" / "install"), "--root", str(root), *options]
    return subprocess.run(command, check=False, capture_output=True, text=True, env={**known, **keeps})


def in_use(root: Path) -> str:
    return str((root / "opt" / "outlast" / "current").readlink())


def version_told(root: Path) -> str:
    outlast = root / "opt" / "outlast" / "current" / "bin" / "outlast"
    return subprocess.run([str(outlast), "--version"], check=True, capture_output=True, text=True).stdout.strip()


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_install_lays_out_a_working_program(tmp_path: Path) -> None:
    root, tree = tmp_path / "root", checkout(tmp_path / "one", "7.1.0")
    none_before = install(tree, root, "--rollback")
    assert none_before.returncode == 2
    assert "no earlier version is kept" in none_before.stderr
    done = install(tree, root)
    assert done.returncode == 0, done.stderr
    assert in_use(root) == "versions/7.1.0"
    assert version_told(root) == "outlast 7.1.0"
    assert (root / "etc" / "outlast" / "outlast.toml").read_text() == (ROOT / "deploy" / "outlast.toml").read_text()
    units = {path.name for path in (ROOT / "deploy" / "systemd").iterdir()}
    assert {path.name for path in (root / "etc" / "systemd" / "system").iterdir()} == units
    again = install(tree, root)
    assert "7.1.0 is in use already" in again.stdout


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_upgrade_keeps_the_configuration_and_rolls_back(tmp_path: Path) -> None:
    root = tmp_path / "root"
    assert install(checkout(tmp_path / "one", "7.1.0"), root).returncode == 0
    settings = root / "etc" / "outlast" / "outlast.toml"
    settings.write_text("# the owner's own\n")
    newer = checkout(tmp_path / "two", "7.2.0")
    assert install(newer, root).returncode == 0
    assert (in_use(root), version_told(root)) == ("versions/7.2.0", "outlast 7.2.0")
    assert settings.read_text() == "# the owner's own\n"
    assert install(newer, root, "--rollback").returncode == 0
    assert (in_use(root), version_told(root)) == ("versions/7.1.0", "outlast 7.1.0")


def test_wrong_use_is_one_line(tmp_path: Path) -> None:
    done = install(ROOT, tmp_path, "--upwards")
    assert (done.returncode, done.stderr) == (2, "outlast: no option --upwards; deploy/install --help lists them\n")
