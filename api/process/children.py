"""How a child process of this program is started: `outlast …` by the same Python, with one thread for arithmetic.

A child whose parent was killed ends too: nobody waits for its work, and the next parent starts its own.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Mapping, MutableMapping

ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}

PARENT = "_OUTLAST_PARENT"
"""The variable that tells a child the number of the process that started it."""

LOOK_S = 1.0
"""Time between two looks whether the parent still lives [s]."""


def one_thread(environment: MutableMapping[str, str]) -> None:
    """Have numpy's libraries work in one thread, unless the environment says otherwise; before numpy is imported.

    The matrices of a forecast are small: more threads spend their time waiting for one another, which on two busy
    cores cost up to twice the processor time, and their number would show in the last digits of an answer.
    """
    for name, threads in ONE_THREAD.items():
        environment.setdefault(name, threads)


def child_command(*arguments: str) -> list[str]:
    """The command line of `outlast ARGUMENTS` as a child."""
    return [sys.executable, "-m", "api", *arguments]


def child_environment() -> dict[str, str]:
    """The environment of a child: this process's own, but for the threads of numpy's libraries and its parent."""
    return {**os.environ, **ONE_THREAD, PARENT: str(os.getpid())}


def make_way(child: int, nice: int) -> None:
    """Let a child give way to others: at least as nice as asked. One that is nicer already stays so, for only root may
    take that back.
    """
    os.setpriority(os.PRIO_PROCESS, child, max(nice, os.getpriority(os.PRIO_PROCESS, child)))


def end_with_parent(environment: Mapping[str, str]) -> None:
    """In a child: end it in good order, as by SIGTERM, once its parent is gone. Nothing in any other process."""
    parent = environment.get(PARENT)
    if parent is not None:
        threading.Thread(target=_follow, args=(int(parent),), name="parent", daemon=True).start()


def _follow(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(LOOK_S)
    os.kill(os.getpid(), signal.SIGTERM)
