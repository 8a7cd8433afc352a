"""How a child process of this program is started: `outlast …` by the same Python, with one thread for arithmetic."""

from __future__ import annotations

import os
import sys

ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


def child_command(*arguments: str) -> list[str]:
    """The command line of `outlast ARGUMENTS` as a child."""
    return [sys.executable, "-m", "api", *arguments]


def child_environment() -> dict[str, str]:
    """The environment of a child: this process's own, but for the threads of numpy's libraries."""
    return {**os.environ, **ONE_THREAD}
