"""Rules of every test run: long tests only when asked for, those that start servers marked, no silent skip under CI."""

from __future__ import annotations

import os
from collections.abc import Generator
from pathlib import Path

import pytest

from tests.needs import lacking, programs_of

NEEDS = pytest.StashKey[set[str]]()
"""The programs that a test starts."""

MISSING = pytest.StashKey[list[str]]()
"""What the tests of this run need and this machine lacks."""


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="run the tests marked long as well")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    for item in items:
        item.stash[NEEDS] = programs_of(item)
        if item.stash[NEEDS]:
            item.add_marker("servers")
    if not config.getoption("--long"):
        long = [item for item in items if item.get_closest_marker("long")]
        config.hook.pytest_deselected(items=long)
        items[:] = [item for item in items if item not in long]


def pytest_collection_finish(session: pytest.Session) -> None:
    """What is missing is told before the run, and again at its end."""
    needed: set[str] = set().union(*(item.stash[NEEDS] for item in session.items))
    session.config.stash[MISSING] = lacking(needed)
    _tell_missing(session.config)


def pytest_terminal_summary(config: pytest.Config) -> None:
    _tell_missing(config)


def _tell_missing(config: pytest.Config) -> None:
    missing, terminal = config.stash.get(MISSING, []), config.pluginmanager.get_plugin("terminalreporter")
    if missing and terminal is not None:
        terminal.ensure_newline()
        terminal.write_line(
            f"Tests of this run need what this machine lacks: {', '.join(missing)}. "
            './deploy/test installs the servers; pytest -m "not servers" leaves these tests out.',
            yellow=True,
        )


def pytest_runtest_setup(item: pytest.Item) -> None:
    """A test whose server is missing fails with one line, instead of somewhere in its fixtures."""
    missing = lacking(item.stash[NEEDS])
    if missing:
        pytest.fail(f"needs {', '.join(missing)}", pytrace=False)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if report.skipped and os.environ.get("CI") == "true":
        report.outcome = "failed"
        report.longrepr = f"skipped under CI: {report.longrepr}"
    return report


@pytest.fixture(scope="session")
def larkspur_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with Larkspur Lane recorded three hours into an outage; copy it before changing it."""
    from tests.scenario import services, tell_larkspur  # the engine is loaded only where a test asks for the scenario

    folder = tmp_path_factory.mktemp("larkspur")
    held = services(folder, {})
    tell_larkspur(held.store, held.ledger)
    held.close()
    return folder
