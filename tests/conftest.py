"""Rules of every test run: slow and long tests only when asked for, and counted where they are left out; those that
start servers marked; no silent skip under CI; nothing left behind outside the checkout.
"""

from __future__ import annotations

import atexit
import gc
import os
import shutil
import signal
from collections import Counter
from collections.abc import Generator
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from api.process.children import one_thread
from tests.needs import lacking, programs_of

NEEDS = pytest.StashKey[set[str]]()
"""The programs that a test starts."""

LEFT_OUT = pytest.StashKey[dict[str, int]]()
"""How many tests this run leaves out, by the mark that they bear."""

RUNS_THEM = {"slow": "--whole", "long": "--long"}
"""The option that runs what bears a mark; --long runs both."""

one_thread(os.environ)  # before a test imports numpy

if "MPLCONFIGDIR" not in os.environ:  # a library of an outside check would keep its fonts in the home folder
    os.environ["MPLCONFIGDIR"] = mkdtemp(prefix="outlast-tests-")
    atexit.register(shutil.rmtree, os.environ["MPLCONFIGDIR"], ignore_errors=True)

MISSING = pytest.StashKey[list[str]]()
"""What the tests of this run need and this machine lacks."""


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--whole", action="store_true", help="run the tests marked slow as well, as ./deploy/test does")
    parser.addoption("--long", action="store_true", help="run the tests marked long as well, and the slow ones")


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """A run of all the tests is shared by as many processes as there are cores; tests that are named run in one."""
    names_none = config.args_source is pytest.Config.ArgsSource.TESTPATHS
    looks_inside = config.option.usepdb or config.option.capture == "no"
    shares = hasattr(config.option, "numprocesses") and config.option.numprocesses is None
    if names_none and shares and not looks_inside and not hasattr(config, "workerinput"):
        config.option.numprocesses = (os.cpu_count() or 1) + 1


def pytest_configure(config: pytest.Config) -> None:
    """Random examples may take as long as a busy machine needs; tests of mutants bring examples of their own.

    What a run under nohup(1) ignores, the programs that it starts would ignore as well.
    """
    signal.signal(signal.SIGHUP, signal.SIG_DFL)
    gc.disable()  # collecting tests makes no garbage worth looking for, and very many objects to look through
    if not config.pluginmanager.has_plugin("tests.mutants.steady"):
        settings.register_profile("patient", deadline=None, suppress_health_check=[HealthCheck.too_slow])
        settings.load_profile("patient")


def pytest_unconfigure() -> None:
    gc.enable()


def marks_left_out(config: pytest.Config) -> tuple[str, ...]:
    """The marks whose tests this run leaves out; under CI that is never `slow`."""
    long = bool(config.getoption("--long"))
    whole = long or bool(config.getoption("--whole")) or os.environ.get("CI") == "true"
    return (*(() if whole else ("slow",)), *(() if long else ("long",)))


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    for item in items:
        item.stash[NEEDS] = programs_of(item)
        if item.stash[NEEDS]:
            item.add_marker("servers")
    counted: Counter[str] = Counter()
    kept: list[pytest.Item] = []
    gone: list[pytest.Item] = []
    for item in items:
        mark = next((mark for mark in marks_left_out(config) if item.get_closest_marker(mark)), None)
        counted.update([mark] if mark else [])
        (gone if mark else kept).append(item)
    config.hook.pytest_deselected(items=gone)
    items[:] = kept
    config.stash[LEFT_OUT] = dict(counted)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """A process that runs a part of the tests for another one tells it what was left out."""
    told: dict[str, Any] | None = getattr(session.config, "workeroutput", None)
    if told is not None:
        told["left_out"] = session.config.stash.get(LEFT_OUT, {})


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    node.config.stash[LEFT_OUT] = getattr(node, "workeroutput", {}).get("left_out", {})


def pytest_collection_finish(session: pytest.Session) -> None:
    """What is missing is told before the run, and again at its end. What is loaded by now is never garbage."""
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)
    gc.enable()
    needed: set[str] = set().union(*(item.stash[NEEDS] for item in session.items))
    session.config.stash[MISSING] = lacking(needed)
    _tell_missing(session.config)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    left_out = [
        f"{count} marked {mark} ({RUNS_THEM[mark]} runs them)" for mark, count in config.stash.get(LEFT_OUT, {}).items()
    ]
    if left_out:
        terminalreporter.ensure_newline()
        terminalreporter.write_line(f"Left out: {', '.join(left_out)}.")
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
