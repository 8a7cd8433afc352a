"""A real browser, and the seeded installation served to it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from forecaster.twin.live import larkspur_site
from tests.browser.serving import Served, serving
from tests.scenario import services

CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
    "--disable-sync", "--no-first-run", "--disable-extensions", "--disable-dev-shm-usage",
]  # fmt: skip


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium; ended with the module, since its event loop would stand in the way of later tests' own."""
    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield made
        made.close()


@pytest.fixture
def house(larkspur_folder: Path, tmp_path: Path) -> Iterator[Served]:
    """The scenario of Larkspur Lane, served; a copy of its own for each test."""
    folder = tmp_path / "house"
    shutil.copytree(larkspur_folder, folder)
    held = services(folder, {"larkspur": larkspur_site()})
    with serving(held) as served:
        yield served
    held.close()
