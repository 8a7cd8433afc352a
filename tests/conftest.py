"""Rules of every test run: long tests only when asked for, and under CI=true a skipped test is a failed one."""

from __future__ import annotations

import os
from collections.abc import Generator
from pathlib import Path

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="run the tests marked long as well")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--long"):
        return
    long = [item for item in items if item.get_closest_marker("long")]
    config.hook.pytest_deselected(items=long)
    items[:] = [item for item in items if item not in long]


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if report.skipped and os.environ.get("CI") == "true":
        report.outcome = "failed"
        report.longrepr = f"skipped under CI: {report.longrepr}"
    return report


@pytest.fixture(scope="session")
def larkspur_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the story of Larkspur Lane told into it, three hours into an outage; copy it before changing it."""
    from tests.story import services, tell_larkspur  # the engine is loaded only where a test asks for the story

    folder = tmp_path_factory.mktemp("larkspur")
    held = services(folder, {})
    tell_larkspur(held.store, held.ledger)
    held.close()
    return folder
