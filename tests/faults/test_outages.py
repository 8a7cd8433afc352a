"""The twin's outages and quiet days: told in time, nothing missed, few messages, hardly a false alarm.

A sample in the default run; `--long` walks 200 outages and 100 site-months, as `python -m tests.faults.outages_report`.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import pytest

from forecaster.domain.times import YEAR_DAYS
from forecaster.twin.episode import episode, merged
from tests.faults.looks import looks_of
from tests.faults.outages import FIRST_MS, STYLES, OutageFigures, outage, quiet
from tests.faults.outages_report import late
from tests.faults.walking import AS_LIVE, HOUR, RESTING, Cadence, walk

SHORT = (7, 37, 41)
"""Outages of a few hours, so that the default run stays short."""
QUIET = (3, 12)


def check(figures: OutageFigures) -> list[str]:
    """What is wrong with one outage, in words."""
    wrong = []
    if figures.signalled and late(figures):
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


@pytest.mark.slow
@pytest.mark.parametrize("seed", SHORT)
def test_an_outage_is_told_in_time(seed: int) -> None:
    figures = outage(seed)
    assert check(figures) == [], figures
    assert figures.told_a_day <= 6, figures
    assert figures.reached
    assert figures.lead_h is not None
    assert figures.lead_h > 1.0


@pytest.mark.slow
@pytest.mark.parametrize("seed", QUIET)
def test_quiet_days_are_quiet(seed: int) -> None:
    figures = quiet(seed, 3.0)
    assert figures.days > 1.0
    assert figures.false == ()
    assert 0.0 < figures.busiest < 1.0


@pytest.mark.slow
@pytest.mark.parametrize("seed", [12])
def test_looking_closely_where_it_can_matter_sees_what_the_worker_sees(seed: int) -> None:
    """A quiet day stepped now and then, and the same day at the worker's own cadence: the same alarms."""
    drawn = episode(seed, STYLES, history=2.0)
    start = min(int(track.arrived_ms[0]) for track in drawn.tracks) + FIRST_MS

    def kinds(cadence: Cadence) -> list[str]:
        readings = merged(drawn.site.id, drawn.tracks, drawn.outlooks)
        found = walk(drawn.site, readings, start, start + 12 * HOUR, cadence=cadence, looks=looks_of(drawn))
        return [kind.value for kind in found.kinds()]

    live = replace(AS_LIVE, pack_forecast_s=600.0, forecast_s=600.0)
    assert kinds(RESTING) == kinds(live)


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
@pytest.mark.timeout(14_400)
def test_a_hundred_quiet_site_months() -> None:
    with ProcessPoolExecutor() as pool:
        found = list(pool.map(quiet, range(100)))
    years = sum(figures.days for figures in found) / YEAR_DAYS
    false = [kind for figures in found for kind, _ in figures.false]
    assert years > 8.0
    assert len(false) <= years, (sorted(false), years)
