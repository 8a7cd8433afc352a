"""A child that makes studies one after another, as it is told on its standard input, until that is closed.

A line of input is a `StudyOrder`, one of output its `StudyAnswer`; what anything else prints goes to standard error. It
has the libraries of the long record loaded once for many sites, and its parent stays light.
"""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path
from types import FrameType
from typing import IO

import msgspec

from api.commands.installed import Opened, opened
from api.process.children import end_with_parent
from api.process.study_making import made
from api.process.study_orders import StudyAnswer, StudyOrder
from collector.store.fences import JobFence
from collector.store.ledger import SqlLedger
from forecaster.decoding.typed import from_json
from forecaster.domain.errors import NotFound, StaleLease, StoreError
from forecaster.health.told import KINDS


def answer(has: Opened, order: StudyOrder) -> StudyAnswer:
    """Make a site's studies, fenced, unless there are all of them and new enough."""
    assert isinstance(has.ledger, SqlLedger)
    try:
        if has.ledger.studied_whole(KINDS, order.site).get(order.site, 0) >= order.since_ms:
            return StudyAnswer(None)
        fenced = has.ledger.fenced(JobFence(order.attempt))
        return StudyAnswer(made(has.site(order.site), has.store, fenced, order.now_ms))
    except StaleLease as error:
        return StudyAnswer(error.reason, lost=True)
    except StoreError as error:
        return StudyAnswer(error.reason)
    except NotFound as error:
        return StudyAnswer(str(error))


def main(folder: Path, orders: IO[bytes], answers: IO[bytes]) -> int:
    """Follow the orders."""
    with opened(folder) as has:
        for line in orders:
            told = answer(has, from_json(line, StudyOrder))
            answers.write(msgspec.json.encode(told) + b"\n")
            answers.flush()
    return 0


def stay_with_parent() -> None:
    """End by a signal only once the parent is gone.

    A supervisor sends it to all processes of a service, and the study in hand is the parent's to end or to give back.
    """
    parent = os.getppid()

    def end(_number: int, _frame: FrameType | None) -> None:
        if os.getppid() != parent:
            sys.exit(1)

    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, end)
    end_with_parent(os.environ)


if __name__ == "__main__":
    stay_with_parent()
    with os.fdopen(os.dup(1), "wb") as out:
        os.dup2(2, 1)
        sys.exit(main(Path(sys.argv[1]), sys.stdin.buffer, out))
