"""What a sizing is made of: values with a band, steps of arithmetic, and answers with their reason."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from forecaster.domain.forecast import HORIZON_H
from forecaster.texts.catalogue import Figure, Measured, Said, Words
from forecaster.texts.usunits import METRIC, significant


class Answer(StrEnum):
    """What can be said of a pump on a pack before it has been tried."""

    YES = "yes"
    NO = "no"
    UNPROVEN = "unproven"


@dataclass(frozen=True, slots=True)
class Band:
    """A value that is not known exactly: least, likeliest and greatest, in one unit.

    Errors: ValueError where they are not in this order.
    """

    low: float
    mid: float
    high: float

    def __post_init__(self) -> None:
        if not self.low <= self.mid <= self.high:
            raise ValueError(f"a band must not cross: {self.low}, {self.mid}, {self.high}")

    def times(self, factor: float) -> Band:
        """The band scaled by a factor of at least 0."""
        return Band(self.low * factor, self.mid * factor, self.high * factor)

    def over(self, other: Band) -> Band:
        """This band over another that is independent of it; both above 0."""
        return Band(self.low / other.high, self.mid / other.mid, self.high / other.low)

    @property
    def single(self) -> bool:
        """Whether it is one value."""
        return self.low == self.high


@dataclass(frozen=True, slots=True)
class Step:
    """One line of the arithmetic, for a person to follow.

    name, formula, unit : str — what it is, how it follows, and its unit, in words
    value : float — in the unit; infinite only for hours beyond the horizon, which are null in the document
    """

    name: str
    formula: str
    value: float
    unit: str

    @property
    def figure(self) -> Figure:
        """The value as a person writes it."""
        return number(self.value) if math.isfinite(self.value) else Figure(f"> {HORIZON_H:g}")

    def shown(self, say: Words) -> tuple[str, str]:
        """Value and unit as their reader takes them."""
        if self.unit not in METRIC:
            return say.again(self.figure), say.again(self.unit)
        value, _, unit = say.again(Measured(self.value, self.unit)).rpartition(" ")
        return value, unit


@dataclass(frozen=True, slots=True)
class Finding:
    """An answer and its reason. `settle` says what would settle it where it is unproven, or mend it where it is no."""

    answer: Answer
    why: str
    settle: str | None = None


WEAKEST_FIRST = (Answer.NO, Answer.UNPROVEN, Answer.YES)


def weakest(*findings: Finding) -> Finding:
    """The finding that decides where all must hold: the first no, else the first unproven, else the first.

    Errors: ValueError for no findings.
    """
    return min(findings, key=lambda finding: WEAKEST_FIRST.index(finding.answer))


def rounded(value: float | None) -> float | None:
    """A value as documents write it, with six significant digits; None where there is none, or no end to it."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.6g}")


def number(value: float) -> Figure:
    """A figure as a person writes it: three significant digits, or from 1000 on whole with thousands separated."""
    return Figure(significant(value))


def share(value: float) -> Said:
    """A share, where 1 is the whole, in whole per cent, as every page writes them."""
    return Said("wording.percent", n=Figure(f"{100.0 * value:.0f}"))


def spanned(band: Band, unit: str) -> str:
    """A band in words, with its unit: "low to high", or one figure where both read the same."""
    low, high = number(band.low), number(band.high)
    if low == high:
        return Said("size.one", value=low, unit=unit)
    return Said("size.band", low=low, high=high, unit=unit)
