"""A real browser, and the seeded installation served to it."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect, sync_playwright

from forecaster.twin.live import larkspur_site
from tests.browser.serving import Served, serving
from tests.engines import PATIENCE_S
from tests.scenario import services

CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
    "--disable-sync", "--no-first-run", "--disable-extensions", "--disable-dev-shm-usage",
]  # fmt: skip

expect.set_options(timeout=1000 * PATIENCE_S)


@contextmanager
def chromium() -> Iterator[Browser]:
    """Debian's Chromium, with a home of its own that goes with it."""
    with tempfile.TemporaryDirectory() as home, sync_playwright() as playwright:
        own = {"HOME": home, "XDG_CONFIG_HOME": f"{home}/config", "XDG_CACHE_HOME": f"{home}/cache"}
        made = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS, env={**os.environ, **own})
        yield made
        made.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Ended with the module, since its event loop would stand in the way of later tests' own."""
    with chromium() as made:
        yield made


@pytest.fixture
def house(larkspur_folder: Path, tmp_path: Path) -> Iterator[Served]:
    """The scenario of Larkspur Lane, served; a copy of its own for each test."""
    folder = tmp_path / "house"
    shutil.copytree(larkspur_folder, folder)
    held = services(folder, {"larkspur": larkspur_site()})
    with serving(held) as served:
        yield served
    held.close()
