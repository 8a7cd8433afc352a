"""The twin's outages and quiet days: told in time, nothing missed, few messages, hardly a false alarm.

A sample in the default run; `--long` walks 200 outages and about 100 months of quiet days.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from functools import partial

import pytest

from tests.faults.outages import OutageFigures, outage, quiet

SHORT = (7, 37, 41)
"""Outages of a few hours, so that the default run stays short."""
QUIET = (3, 12)
DAYS_A_YEAR = 365.0


def check(figures: OutageFigures) -> list[str]:
    """What is wrong with one outage, in words."""
    wrong = []
    if figures.signalled and (figures.mains_lost_s is None or figures.mains_lost_s > 60.0):
        wrong.append("mains-lost not within 60 s of the signal")
    if figures.mains_lost_s is None and figures.life_h > 2.0 and figures.reached:
        wrong.append("the outage was missed")
    if figures.reached and (figures.lead_h is None or figures.lead_h <= 0.0):
        wrong.append("low-reserve not before the floor")
    if figures.told_a_day > 10:
        wrong.append("more than ten messages a day")
    if figures.fastest_min is not None and figures.fastest_min < 1.0:
        wrong.append("three messages within a minute")
    return wrong


@pytest.mark.parametrize("seed", SHORT)
def test_an_outage_is_told_in_time(seed: int) -> None:
    figures = outage(seed)
    assert check(figures) == [], figures
    assert figures.told_a_day <= 6, figures
    assert figures.reached
    assert figures.lead_h is not None
    assert figures.lead_h > 1.0


@pytest.mark.parametrize("seed", QUIET)
def test_quiet_days_are_quiet(seed: int) -> None:
    days, false = quiet(seed, 600.0)
    assert days > 1.0
    assert false == ()


@pytest.mark.long
@pytest.mark.timeout(14_400)
def test_two_hundred_outages() -> None:
    """EEMUA 191 and ANSI/ISA-18.2: no flood, no chatter; this project: 6 messages in 24 h, never more than 10."""
    with ProcessPoolExecutor() as pool:
        found = list(pool.map(outage, range(200)))
    wrong = {figures.seed: check(figures) for figures in found if check(figures)}
    assert wrong == {}
    leads = sorted(figures.lead_h for figures in found if figures.lead_h is not None)
    assert leads[len(leads) // 20] > 0.5
    crowded = [figures for figures in found if figures.told_a_day > 6]
    assert len(crowded) <= len(found) / 20, crowded


@pytest.mark.long
@pytest.mark.timeout(28_800)
def test_quiet_site_months() -> None:
    with ProcessPoolExecutor() as pool:
        found = list(pool.map(partial(quiet, stride_s=300.0), range(600)))
    years = sum(days for days, _ in found) / DAYS_A_YEAR
    false = [kind for _, kinds in found for kind in kinds]
    assert years > 5.0
    for kind in set(false):
        assert false.count(kind) <= years, (kind, false.count(kind), years)
