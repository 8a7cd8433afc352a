"""What forecasters reach: figures by hand, intervals against the normal approximation of a share."""

from __future__ import annotations

import pytest

from api.commands.score_table import reach_table
from forecaster.domain.forecast import LEVELS
from forecaster.score.bound.bound import BOUND
from forecaster.score.metrics import Outcome
from forecaster.score.reach import reach
from forecaster.score.report import report
from forecaster.score.rolling import ENGINE, ORACLE, Scored


def said(case: str, forecaster: str, percent: float, truth_h: float, hours: tuple[float, ...]) -> Scored:
    """What somebody said at a charge of an outage, scaled by 10 h."""
    return Scored(case, "power", percent, forecaster, hours, Outcome(truth_h), 10.0)


def point(case: str, forecaster: str, percent: float, truth_h: float, off_h: float) -> Scored:
    """A forecast of one number of hours that is off by so many."""
    return said(case, forecaster, percent, truth_h, (truth_h + off_h,) * len(LEVELS))


def outage(case: str) -> list[Scored]:
    """At 75 % of charge 10 h are left, at 50 % 5 h: by how much each was off."""
    off = {ORACLE: (0.5, 0.25), BOUND: (1.0, 0.4), ENGINE: (2.0, -1.0)}
    return [
        point(case, who, percent, truth_h, by)
        for who, both in off.items()
        for percent, truth_h, by in zip((75.0, 50.0), (10.0, 5.0), both, strict=True)
    ]


def test_what_is_reached_by_hand() -> None:
    """Errors of 10 and 8 % make a median of 9 %; half of each hour off is lost, of 10 h; only 0.4 of 5 h is within a
    tenth; the announced end moves by 0.6 h where the oracle's moves by 0.25 h."""
    rows = [row for name in "abcd" for row in outage(name)]
    bound, engine = reach(rows, BOUND), reach(rows, ENGINE)
    assert bound.figures.median_error == pytest.approx(0.09)
    assert engine.figures.median_error == pytest.approx(0.2)
    assert bound.figures.over_oracle == pytest.approx(1.4 / 0.75)
    assert engine.figures.over_oracle == pytest.approx(3.0 / 0.75)
    assert (bound.figures.alpha_lambda, engine.figures.alpha_lambda) == (1.0, 0.0)
    assert bound.way == pytest.approx(0.6 / 0.25)
    assert engine.way == pytest.approx(3.0 / 0.25)
    assert reach(rows, ORACLE).way == pytest.approx(1.0)
    assert bound.intervals["over_oracle"] == pytest.approx((1.4 / 0.75, 1.4 / 0.75))  # all outages are alike


def test_intervals_are_those_of_outages_drawn_whole() -> None:
    """Of 40 outages, each asked at 75 and 30 %, both ranges hold in 30 or neither does: as of 40 trials, not of 80.

    The normal approximation of a share: 1.96 times the root of p (1 - p) / n (any text on statistics).
    """
    rows = []
    for k in range(40):
        low = 8.0 if k < 30 else 12.0
        rows += [said(str(k), ENGINE, percent, 10.0, (low, low, 13.0, 13.0, 13.0, 13.0, 14.0)) for percent in (75, 30)]
    low, high = reach(rows, ENGINE).intervals["coverage"]
    half = 1.96 * (0.75 * 0.25 / 40) ** 0.5
    assert (low, high) == pytest.approx((0.75 - half, 0.75 + half), abs=0.03)


def test_the_table_shows_oracle_bound_and_engine() -> None:
    rows = [row for name in "abcd" for row in outage(name)]
    rows += [point("e", who, 75.0, 10.0, by) for who, by in ((ORACLE, 1.0), (BOUND, 1.0), (ENGINE, 1.0))]
    found = report(rows)
    assert list(found.reach) == [ORACLE, BOUND, ENGINE]
    assert found.document()["reach"][BOUND]["figures"]["median_error"] == found.headline[BOUND].median_error
    shown = reach_table(found.reach, markdown=True)
    row = next(line for line in shown.splitlines() if line.startswith(f"| {ENGINE} "))
    cells = [cell.strip() for cell in row.split("|")[2:-1]]
    assert cells[0] == "9"
    assert cells[1] == "20.0 %"  # in nearly every resample
    assert cells[3].startswith("3.25 (")  # 6.5 over 2
    assert cells[5:] == ["0.0 %", "12.00", "0.0 %"]


def test_without_a_bound_nothing_is_said_of_what_is_reached() -> None:
    rows = [row for row in outage("a") if row.forecaster != BOUND]
    assert report(rows).reach == {}
