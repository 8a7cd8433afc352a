"""The outcome of one attempt to deliver."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Sent:
    """The receiver has it."""


@dataclass(frozen=True, slots=True)
class Later:
    """It failed for now: try again.

    error : str — one line, without secrets
    after_s : float | None — the wait that the receiver asked for (Retry-After) [s]
    unreachable : bool — the host did not answer at all, so that other receivers there may be out of reach too
    """

    error: str
    after_s: float | None = None
    unreachable: bool = False


@dataclass(frozen=True, slots=True)
class Never:
    """It failed for good: this message cannot be delivered, or the receiver is gone."""

    error: str


@dataclass(frozen=True, slots=True)
class Needless:
    """The message is no longer wanted; it counts neither as told nor as failed."""

    reason: str


Outcome = Sent | Later | Never | Needless
