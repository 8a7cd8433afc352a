"""What tests of the faces share beyond the scenario itself."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.process.services import Services
from collector.config.site_file import site_toml
from forecaster.twin.live import larkspur_site
from tests.api.studied import LATER_MS
from tests.scenario import HeldClock, services


@pytest.fixture
def two_days_later(larkspur_folder: Path, tmp_path: Path) -> Iterator[Services]:
    """Larkspur Lane two days after its scenario."""
    goal = tmp_path / "house"
    shutil.copytree(larkspur_folder, goal)
    (goal / "outlast.toml").write_text("", encoding="utf-8")
    (goal / "sites").mkdir(exist_ok=True)
    (goal / "sites" / "larkspur.toml").write_text(site_toml(larkspur_site()), encoding="utf-8")
    made = services(goal, {"larkspur": larkspur_site()}, clock=HeldClock(LATER_MS))
    yield made
    made.close()
