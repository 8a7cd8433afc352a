"""Studies of the long record as jobs: what is queued for those who work on them, and how the queue stands."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class StudyPriority(IntEnum):
    """Which studies come first: the greater ones."""

    DAILY = 0
    ASKED = 10
    ON_PACK = 20


@dataclass(frozen=True, slots=True)
class StudyJob:
    """A study that is to be made.

    since_ms : int — a study that was made before this time is not enough [UTC milliseconds]
    """

    site: str
    since_ms: int
    priority: StudyPriority


@dataclass(frozen=True, slots=True)
class JobTry:
    """One attempt at a job, as its fence: a job that was given to another, or again, has a higher number of attempts.

    queue : str — the queue's schema in the database; job : int — its id there
    attempts : int — how often it had been tried before
    """

    queue: str
    job: int
    attempts: int


@dataclass(frozen=True, slots=True)
class QueueSeen:
    """The queue at one moment; done, failed and retried are those of the last two days.

    oldest_s : float — how long the longest waiting one has waited [s]; 0 where none waits
    workers : int — how many work on it
    """

    waiting: int
    running: int
    done: int
    failed: int
    retried: int
    oldest_s: float
    workers: int
