"""Benchmarks, run by ./deploy/bench and never by the tests: a ratio tells more than a time.

Each module tests/bench/bench_<topic>.py has `run() -> list[Figure]`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured number.

    name : str — what was measured, fit for a line of a table
    value : float
    unit : str — "messages/s", "ms", "MB", "ratio", …
    aim : str — what is aimed for, as in ">= 0.6"; "" where there is none
    against : str — what the number is measured against in the same run, as in "a bare paho loop"
    """

    name: str
    value: float
    unit: str
    aim: str = ""
    against: str = ""

    @property
    def met(self) -> bool | None:
        """Whether the aim is met; None where there is none."""
        sign, _, bound = self.aim.partition(" ")
        if sign not in (">=", "<="):
            return None
        return self.value >= float(bound) if sign == ">=" else self.value <= float(bound)
