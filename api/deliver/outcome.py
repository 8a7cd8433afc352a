"""What became of one attempt to deliver."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Sent:
    """The receiver has it."""


@dataclass(frozen=True, slots=True)
class Later:
    """Not now: try again.

    error : str — one line, without secrets
    after_s : float | None — what the receiver asked for (Retry-After) [s]
    unreachable : bool — the host did not answer at all, so others there may not be reached either
    """

    error: str
    after_s: float | None = None
    unreachable: bool = False


@dataclass(frozen=True, slots=True)
class Never:
    """It will not work for this message, or the receiver is gone: give up."""

    error: str


@dataclass(frozen=True, slots=True)
class Needless:
    """Nobody waits for it any more; neither told nor failed."""

    reason: str


Outcome = Sent | Later | Never | Needless
