"""How forecasts of one outage agree, against cases worked out by hand and against a martingale."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtri

from api.commands.score_table import coherence_table
from forecaster.domain.forecast import LEVELS
from forecaster.score.coherence import coherence
from forecaster.score.metrics import Outcome
from forecaster.score.rolling import ENGINE, ORACLE, Scored


def said(case: str, percent: float, left_h: float, quantiles: tuple[float, ...], forecaster: str = ENGINE) -> Scored:
    """One forecast, `left_h` before the end."""
    return Scored(case, "power", percent, forecaster, quantiles, Outcome(left_h), 10.0)


def about(middle: float, half: float = 1.0) -> tuple[float, ...]:
    """Quantiles of which the 10 and 90 % points are `half` from the median."""
    return tuple(middle + half * (level - 0.5) / 0.4 for level in LEVELS)


def test_an_end_that_wanders_by_hand() -> None:
    """Announced from the first forecast: 10, 4 + 8 = 12, 8 + 3 = 11 h; the truth, and the oracle throughout, is 11."""
    rows = [said("a", 90.0, 11.0, about(10.0)), said("a", 75.0, 7.0, about(8.0)), said("a", 50.0, 3.0, about(3.0))]
    rows += [said("a", row.percent, row.outcome.hours, about(row.outcome.hours), ORACLE) for row in rows]
    rows[4] = said("a", 75.0, 7.0, about(7.5), ORACLE)
    found = coherence(rows)
    assert found is not None
    assert {name: (held.share, held.oracle) for name, held in found.by_pair.items()} == {
        "90 to 75 %": (0.0, 1.0),
        "90 to 50 %": (1.0, 1.0),
        "75 to 50 %": (1.0, 1.0),
    }
    assert found.held.pairs == 3
    assert found.held.share == pytest.approx(2 / 3)
    assert found.path == pytest.approx((2.0 + 1.0) / (0.5 + 0.5))
    assert found.revisions is None, "one pair of revisions is no correlation"


def walks(outages: int, carry: float, seed: int) -> list[Scored]:
    """Outages whose end is learnt in four steps of one size; of each step a share is learnt a step late."""
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(outages):
        news = rng.normal(size=5)
        end = 40.0 + news.sum()
        for step in range(4):
            known = 40.0 + news[: step + 1].sum() - carry * news[step]
            left = ((4 - step) + carry**2) ** 0.5
            gone = 8.0 * step
            quantiles = tuple(known - gone + left * float(ndtri(level)) for level in LEVELS)
            rows.append(said(f"o{number}", 90.0 - 10.0 * step, end - gone, quantiles))
    return rows


def test_a_martingale_has_revisions_that_tell_nothing_of_the_next() -> None:
    """Later knowledge k steps on strays by the root of k of n steps: 1 of 4 is within +-1.28 x 2, 98.97 % of the time;
    3 of 4 within 1.28 x 2 / 3^0.5, 86.1 %.
    """
    found = coherence(walks(1500, 0.0, 3))
    assert found is not None
    assert found.revisions == pytest.approx(0.0, abs=0.05)
    assert found.by_pair["90 to 80 %"].share == pytest.approx(0.9897, abs=0.01)
    assert found.by_pair["90 to 60 %"].share == pytest.approx(0.861, abs=0.03)
    assert (found.path, found.held.oracle) == (None, None), "there is no oracle here"


def test_news_taken_in_late_shows_as_revisions_that_go_on() -> None:
    found = coherence(walks(600, 0.5, 4))
    assert found is not None
    assert found.revisions is not None
    assert found.revisions > 0.3


def test_the_table_shows_every_pair_of_charges() -> None:
    rows = walks(40, 0.0, 5)
    rows += [said(r.case, r.percent, r.outcome.hours, about(r.outcome.hours), ORACLE) for r in rows]
    found = coherence(rows)
    assert found is not None
    told = coherence_table(found, markdown=False)
    assert all(f"{a} to {b} %" in told for a, b in ((90, 80), (90, 60), (70, 60)))
    assert "all pairs" in told
    assert coherence([rows[0]]) is None
