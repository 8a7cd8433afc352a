"""The script that makes an environment, for real: pip, an index of our own with one package, an empty home."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import threading
import zipfile
from collections.abc import Iterator
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from tests.engines import ROOT

WHEEL = "larkspur-1-py3-none-any.whl"
DESCRIBED = {
    "larkspur.py": "HOUSE = 1\n",
    "larkspur-1.dist-info/METADATA": "Metadata-Version: 2.1\nName: larkspur\nVersion: 1\n",
    "larkspur-1.dist-info/WHEEL": "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
    "larkspur-1.dist-info/RECORD": "larkspur.py,,\nlarkspur-1.dist-info/METADATA,,\nlarkspur-1.dist-info/WHEEL,,\n",
}
"""The least that a wheel holds (Python Packaging User Guide, "Binary distribution format")."""

BACKEND = f"""
import shutil

def build_editable(folder, settings=None, metadata=None):
    return shutil.copy("{WHEEL}", folder).rpartition("/")[2]
"""
"""Builds the checkout itself, as PEP 517 and 660 have it."""


class Index(SimpleHTTPRequestHandler):
    """An index whose answers may be kept, as those of the usual one may."""

    def end_headers(self) -> None:
        self.send_header("Cache-Control", "max-age=600")
        super().end_headers()

    def log_message(self, *_: object) -> None:
        """Nothing to read."""


@pytest.fixture
def index(tmp_path: Path) -> Iterator[str]:
    """The address of an index with one package (PEP 503), which lies as a wheel in the folder of the test."""
    with zipfile.ZipFile(tmp_path / WHEEL, "w") as wheel:
        for name, text in DESCRIBED.items():
            wheel.writestr(name, text)
    page = tmp_path / "simple" / "larkspur" / "index.html"
    page.parent.mkdir(parents=True)
    page.write_text(f'<!DOCTYPE html><title>larkspur</title><a href="/{WHEEL}">{WHEEL}</a>')
    with ThreadingHTTPServer(("127.0.0.1", 0), partial(Index, directory=str(tmp_path))) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}/simple/"
        server.shutdown()
        thread.join()


def small_checkout(tree: Path, wheel: Path) -> Path:
    """A checkout with the script itself, and with pins of one package."""
    (tree / "deploy").mkdir(parents=True)
    shutil.copy2(ROOT / "deploy" / "environment", tree / "deploy")
    shutil.copy2(wheel, tree)
    digest = hashlib.sha256(wheel.read_bytes()).hexdigest()
    for name, text in (
        ("backend.py", BACKEND),
        ("pyproject.toml", '[build-system]\nrequires = []\nbuild-backend = "backend"\nbackend-path = ["."]\n'),
        ("deploy/requirements-build.txt", f"larkspur==1 --hash=sha256:{digest}\n"),
        ("deploy/requirements.txt", ""),
    ):
        (tree / name).write_text(text)
    return tree


@pytest.mark.slow
def test_an_environment_leaves_nothing_outside_the_checkout(tmp_path: Path, index: str) -> None:
    """What pip fetched is kept for the next environment, but in the checkout; the home stays as it was."""
    tree = small_checkout(tmp_path / "checkout", tmp_path / WHEEL)
    home, programs = tmp_path / "home", tmp_path / "bin"
    home.mkdir()
    programs.mkdir()
    (programs / "python3").symlink_to(Path(sys.base_prefix) / "bin" / "python3")
    here = {"HOME": str(home), "PATH": f"{programs}:{os.defpath}"}
    pip = {"PIP_INDEX_URL": index, "PIP_TRUSTED_HOST": "127.0.0.1", "PIP_CONFIG_FILE": os.devnull}
    command = [str(tree / "deploy" / "environment"), "run"]
    made = subprocess.run(command, cwd=tmp_path, env=here | pip, capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr
    asked = [made.stdout.strip(), "-c", "import larkspur; print(larkspur.HOUSE)"]
    assert subprocess.run(asked, capture_output=True, text=True, check=True).stdout == "1\n"
    assert list(home.rglob("*")) == []
    assert any(path.is_file() for path in (tree / ".venv-pip").rglob("*")), "pip keeps what it fetched somewhere"
