"""The outside house: its devices tell what its cells and its pump did, and its outages can be scored."""

from __future__ import annotations

import sys

import numpy as np
import pytest

from api.commands.score import outside
from api.offline.outside import house
from api.offline.outside.cell import RATED_AH, STEP_S, CountingGauge, discharge
from forecaster.domain.errors import UsageError
from forecaster.domain.quantities import Quantity
from forecaster.engine import Engine
from forecaster.score.cases import Case
from forecaster.score.metrics import Outcome
from forecaster.score.rolling import ENGINE, score_case

SEED, HISTORY_H, OUTAGE_H = 1, 6, 24


@pytest.fixture(scope="module")
def case() -> Case:
    return house.case(SEED, HISTORY_H, OUTAGE_H)


@pytest.mark.slow
def test_a_cell_gives_its_rated_charge_to_a_steady_power() -> None:
    """Chen et al. 2020: 5 Ah to 2.5 V, about 18 Wh; at 1 W it lasts some 18 h, and is then empty for itself."""
    found = discharge(np.full(int(24 * 3600 / STEP_S), 1.0))
    assert found.emptied
    assert found.given_ah[-1] == pytest.approx(RATED_AH, rel=0.03)
    assert found.times_s[-1] / 3600.0 == pytest.approx(18.0, rel=0.08)
    amperes = np.diff(found.given_ah) / np.diff(found.times_s) * 3600.0
    assert amperes[-30] > 1.1 * amperes[30], "a falling voltage takes a greater current for the same power"


def test_a_gauge_strays_by_its_gain_and_its_drift() -> None:
    """After 2.5 of 5 Ah in 10 h, 3 % too much counted and 0.1 %/h of drift: 100 - 51.5 - 1."""
    told = CountingGauge(0.03, 0.1).percent(np.array([0.0, 2.5, 9.0]), np.array([0.0, 10.0, 20.0]))
    assert told.tolist() == pytest.approx([100.0, 47.5, 0.0])


@pytest.mark.slow
def test_the_devices_tell_of_one_outage(case: Case) -> None:
    by_kind = {q: [r for r in case.readings if r.quantity is q] for q in house.MEASURED}
    assert all(by_kind.values())
    assert [r.arrived_ms for r in case.readings] == sorted(r.arrived_ms for r in case.readings)
    charge = [(r.time_ms, r.value) for r in by_kind[Quantity.PACK_CHARGE]]
    assert all(value == round(value) for _, value in charge), "whole per cents"
    assert {value for at_ms, value in charge if at_ms < case.transfer_ms} == {100.0}
    for origin in case.origins:
        shown = [value for at_ms, value in charge if at_ms <= origin.at_ms][-1]
        assert shown in (origin.percent - 1.0, origin.percent), "a cut gauge, asked as it goes below a per cent"
    lost = [r.time_ms for r in by_kind[Quantity.MAINS_PRESENT] if r.value == 0.0]
    assert 0 <= min(lost) - case.transfer_ms <= 60_000


@pytest.mark.slow
def test_its_outages_are_scored(case: Case) -> None:
    rows = [row for row in score_case(case, Engine) if row.forecaster == ENGINE]
    assert len(rows) == len(case.origins) >= 2
    assert all(np.isfinite(row.quantiles).all() and np.diff(row.quantiles).min() >= 0.0 for row in rows)
    assert all(row.outcome == origin.outcome for row, origin in zip(rows, case.origins, strict=True))
    assert isinstance(rows[0].outcome, Outcome)


def test_a_missing_library_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pybamm", None)
    with pytest.raises(UsageError, match=r"pybamm.*outlast\[outside\]"):
        next(outside(range(1)))
