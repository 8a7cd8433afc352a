"""What a worker and its children that study say to each other, one JSON object a line."""

from __future__ import annotations

import msgspec

from forecaster.domain.studyjobs import JobTry


class StudyOrder(msgspec.Struct, frozen=True):
    """Studies of a site to be made.

    since_ms : those made before this time are not enough [UTC milliseconds]; now_ms : the time of theirs
    attempt : JobTry — under which the child may write
    """

    site: str
    since_ms: int
    now_ms: int
    attempt: JobTry


class StudyAnswer(msgspec.Struct, frozen=True):
    """What became of it. problem : why they were not made; lost : the job is another's by now"""

    problem: str | None
    lost: bool = False
