"""Sizing, rehearsal and live forecast are one arithmetic: they agree before the first cycle; a rehearsal sharpens."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecaster.domain.forecast import Basis
from forecaster.domain.site import Chemistry, Load, Pack, Pump, Site
from forecaster.engine import Engine
from forecaster.sizing.answer import size
from forecaster.sizing.question import Question
from tests.forecaster.before_and_after import errors

SITE = Site(
    "s", "s", "UTC", Pump(rated_voltage_v=115, rated_power_w=480, rated_current_a=(5.2, 5.2)), Pack(1024, 900, 1800)
)
SITES = [
    SITE,
    replace(SITE, loads=(Load("router", 12), Load("refrigerator", 150, 1.5, 1200))),
    replace(SITE, pack=replace(SITE.pack, chemistry=Chemistry.LEAD_ACID, reserve_percent=50)),
    replace(SITE, pack=replace(SITE.pack, inverter_efficiency=0.9, idle_w=5, extra_capacity_wh=1024)),
]


@pytest.mark.parametrize("site", SITES, ids=["pump alone", "with loads", "lead-acid", "expanded"])
def test_before_the_first_cycle_sizing_and_forecast_agree(site: Site) -> None:
    """Both draw the same beliefs; they differ by the noise of 2000 and of fewer draws alone."""
    live = Engine(site).forecast(1_772_550_000_000)
    assert live.basis is Basis.SPECIFICATION
    described = size(site, Question()).hours_remaining
    for ours, theirs in zip(described.values()[1:6], live.hours_remaining.values()[1:6], strict=True):
        assert ours == pytest.approx(theirs, rel=0.08)


def test_one_rehearsal_and_the_live_error_is_finite_with_and_without() -> None:
    found = errors(200)
    assert found is not None
    assert 0 <= found.watched < 0.3
    assert 0 <= found.without < 0.5


@pytest.mark.long
def test_one_rehearsal_takes_a_third_off_the_live_error_at_ninety_percent() -> None:
    """Forty houses under a calm inflow, each rehearsed once to 30 %, asked again in a later outage at 90 % charge."""
    found = [e for e in (errors(seed) for seed in range(200, 240)) if e is not None]
    assert len(found) > 30
    without, watched = np.array([e.without for e in found]), np.array([e.watched for e in found])
    assert watched.mean() <= 2 / 3 * without.mean()
    assert np.median(watched) <= 2 / 3 * np.median(without)
    assert np.mean([e.adopted for e in found]) <= 2 / 3 * without.mean()
