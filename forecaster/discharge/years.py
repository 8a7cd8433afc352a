"""Tests of several years compared: the capacity at each, the fade a year, and when it falls below what is needed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from forecaster.discharge.analysis import REPLACE_BELOW
from forecaster.discharge.hours import TEN_PERCENT_Z, Triple
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.longrecord import HousePart, WorkDone
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS
from forecaster.engine.document import time_text
from forecaster.pack.fading import SURE, Fade, PackPoints, fade_of, grew, meets
from forecaster.pack.tested import Tested, measured_capacity, tested
from forecaster.sizing.terms import number, rounded
from forecaster.texts.catalogue import Figure, Said

LEAST_TESTS, LEAST_SPAN_DAYS = 3, 270.0
"""Fewer tests, or all of them within fewer days, tell no fade. This project's own choice."""

NOTED_AGAIN = 0.005
"""Plates that differ by less than this share are the same one."""


@dataclass(frozen=True, slots=True)
class YearTest:
    """The capacity at one test, by all of them together: p10, p50, p90 [Wh], and when it was [UTC ms]."""

    at_ms: int
    capacity_wh: Triple


@dataclass(frozen=True, slots=True)
class Years:
    """Tests of one pack compared.

    tests : oldest first, those of the present pack
    says : str — in one or two sentences, which can be said in any language
    fade_a_year : Triple | None — p10, p50, p90, as a share of the first test's capacity; None: it cannot be told
    fading : bool | None — whether it is told as fading; None: it cannot be told
    needed_wh : float — the capacity that the owner needs [Wh]; below_ms : when the line falls below it, 10, 50 and
        90 % points [UTC ms], each None beyond fifty years; None where no fade is told
    """

    tests: tuple[YearTest, ...]
    says: str
    needed_wh: float
    fade_a_year: Triple | None = None
    fading: bool | None = None
    below_ms: tuple[int | None, ...] | None = None

    def document(self) -> dict[str, Any]:
        """As JSON."""
        below = None if self.below_ms is None else [None if at is None else time_text(at) for at in self.below_ms]
        return {
            "tests": [{"at": time_text(one.at_ms), "capacity_wh": _named(one.capacity_wh)} for one in self.tests],
            "fading": self.fading,
            "fade_a_year": None if self.fade_a_year is None else _named(self.fade_a_year),
            "needed_wh": rounded(self.needed_wh),
            "below_needed": None if below is None else dict(zip(("p10", "p50", "p90"), below, strict=True)),
            "says": str(self.says),
        }


def compared(site: Site, tests: Sequence[DischargeTest], work: Iterable[WorkDone], now_ms: int) -> Years | None:
    """Compare the tests of a site; None where none has measured the capacity.

    work : what people did; a pack put in since a test was made leaves that test out, and so does another plate
    """
    every = measured_capacity(tests)
    if not every:
        return None
    put_in_ms = max((done.at_ms for done in work if HousePart.PACK_CAPACITY in done.concerns), default=0)
    kept = _of_one_plate([test for test in every if (test.finished_ms or 0) >= put_in_ms], site)
    of = tested(kept, site)
    needed_wh, need = _needed(site, kept)
    rows = tuple(
        YearTest(test.finished_ms or 0, _around(float(middle), float(error)))
        for test, middle, error in zip(kept, of.capacity_wh, np.sqrt(np.diag(of.covariance)), strict=True)
    )
    blind = _blind(of, replaced=len(kept) < len(every))
    if blind is not None:
        return Years(rows, blind, needed_wh)
    fade = fade_of(_points(of))
    assert fade is not None
    return _told(rows, fade, of, needed_wh, need, now_ms)


def _of_one_plate(tests: Sequence[DischargeTest], site: Site) -> list[DischargeTest]:
    """The newest tests in a row that were made with a pack of the present plate."""
    kept: list[DischargeTest] = []
    for test in reversed(tests):
        if abs(_plate_wh(test) / site.pack.nominal_wh - 1.0) > NOTED_AGAIN:
            break
        kept.insert(0, test)
    return kept


def _plate_wh(test: DischargeTest) -> float:
    """The nameplate's capacity when a test was made [Wh]."""
    result = test.result
    if result is None or result.capacity_wh is None or not result.capacity_of_nominal:
        return 0.0
    return result.capacity_wh[1] / result.capacity_of_nominal


def _blind(of: Tested, *, replaced: bool) -> Said | None:
    """Why nothing can be told of a fade; None: it can."""
    count = of.day.size
    if count < LEAST_TESTS:
        key = "years.replaced" if replaced else "years.few"
        return Said(key, n=count, least=LEAST_TESTS)
    if float(of.day[-1] - of.day[0]) < LEAST_SPAN_DAYS:
        return Said("years.span", n=round(float(of.day[-1] - of.day[0])), least=round(LEAST_SPAN_DAYS))
    grown = grew(_points(of))
    if grown is not None:
        return Said("years.grew", share=Figure(f"{grown[1]:.0%}"), month=_month(round(grown[0] * DAY_MS)))
    return None


def _points(of: Tested) -> PackPoints:
    return PackPoints(of.day, of.capacity_wh, of.covariance, np.ones(of.day.size))


def _needed(site: Site, tests: Sequence[DischargeTest]) -> tuple[float, Said]:
    """The capacity that the owner needs [Wh], and in words why.

    By the hours at which they ask to be told of a low reserve, at the newest test's drain; where the site file names
    none, by the share of the plate at which batteries are replaced.
    """
    hours = site.alarms.low_reserve_h
    result = tests[-1].result if tests else None
    if hours is None or result is None:
        share = Figure(f"{REPLACE_BELOW:.0%}")
        return REPLACE_BELOW * site.pack.nominal_wh, Said("years.need_plate", share=share)
    usable = 1.0 - site.pack.reserve_percent / 100.0
    return hours * result.draw_wh_per_h[1] / usable, Said("years.need_hours", hours=number(hours))


def _told(rows: tuple[YearTest, ...], fade: Fade, of: Tested, needed_wh: float, need: Said, now_ms: int) -> Years:
    middle, error = -fade.a_year / fade.first, fade.a_year_error / fade.first
    a_year = _around(middle, error)
    fading = middle > SURE * error
    below = meets(fade, needed_wh, float(of.day[-1]), now_ms) if fading else None
    figures = {
        "n": len(rows), "middle": _percent(middle), "low": _percent(max(0.0, a_year[0])), "high": _percent(a_year[2]),
        "need": need, "wh": number(needed_wh),
    }  # fmt: skip
    if below is None:
        return Years(rows, Said("years.steady", **figures), needed_wh, a_year, fading=False)
    if fade.now <= needed_wh:
        return Years(rows, Said("years.below", **figures), needed_wh, a_year, True, below)
    early, likely, late = (Said("years.never") if at is None else _month(at) for at in below)
    says = Said("years.fading", **figures, likely=likely, early=early, late=late)
    return Years(rows, says, needed_wh, a_year, True, below)


def _around(middle: float, error: float) -> Triple:
    return middle - TEN_PERCENT_Z * error, middle, middle + TEN_PERCENT_Z * error


def _named(of: Triple) -> dict[str, float | None]:
    return dict(zip(("p10", "p50", "p90"), map(rounded, of), strict=True))


def _percent(share: float) -> Figure:
    return Figure(f"{share:.1%}")


def _month(at_ms: int) -> Figure:
    return Figure(datetime.fromtimestamp(at_ms / 1000.0, UTC).strftime("%Y-%m"))
