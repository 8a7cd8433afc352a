"""A child ends with the process that started it, also where that one had no time to end it. On real processes."""

from __future__ import annotations

import os
import subprocess
import sys

import psutil
import pytest

from api.process.children import make_way
from tests.api.process.houses import PATIENCE_S, House, one
from tests.engines import ROOT, wait_until
from tests.servers import mosquitto

__all__ = ["mosquitto", "one"]

pytestmark = pytest.mark.timeout(600)

PARENT = """
import subprocess, sys
from api.process.children import child_command, child_environment
child = subprocess.Popen(child_command(*sys.argv[1:]), env=child_environment())
print(child.pid, flush=True)
child.wait()
"""


def test_a_child_ends_in_good_order_when_its_parent_was_killed(one: House) -> None:
    command = [sys.executable, "-c", PARENT, "run", "--config", str(one.folder)]
    with (
        one.log.open("ab") as log,
        subprocess.Popen(
            command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=log, text=True
        ) as parent,
    ):
        assert parent.stdout is not None
        child = psutil.Process(int(parent.stdout.readline()))
        try:
            wait_until(lambda: one.status("/livez") == 200, "the child", PATIENCE_S)
            parent.kill()
            wait_until(lambda: not child.is_running(), "its end", PATIENCE_S)
        finally:
            if child.is_running():
                child.kill()
    again = one.start()
    assert again.poll() is None


@pytest.mark.parametrize(("more", "asked", "made"), [(0, 2, 2), (3, 2, 3)])
def test_a_child_of_a_process_that_gives_way_more_stays_as_it_is(more: int, asked: int, made: int) -> None:
    """Only root may take niceness back (setpriority(2), EACCES): a service with a `Nice=` of its own has none to spare.

    Beyond this process's own.
    """
    own = min(os.getpriority(os.PRIO_PROCESS, 0), 16)
    child = subprocess.Popen([sys.executable, "-c", "import sys; sys.stdin.read()"], stdin=subprocess.PIPE)
    try:
        os.setpriority(os.PRIO_PROCESS, child.pid, own + more)
        make_way(child.pid, own + asked)
        assert os.getpriority(os.PRIO_PROCESS, child.pid) == own + made
    finally:
        child.communicate()
