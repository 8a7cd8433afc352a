"""A forecast does not depend on how often one was asked for before: copies continued are copies made anew."""

from __future__ import annotations

import numpy as np
import pytest

from forecaster.domain.readings import Reading
from forecaster.domain.site import Site
from forecaster.engine import Engine
from forecaster.twin.episode import episode
from forecaster.twin.styles import Style

HOUR_MS = 3_600_000


def heard(style: Style, seed: int) -> tuple[Site, list[Reading]]:
    """A site and its readings from an hour before an outage to two hours into it, in order of arrival."""
    drawn = episode(seed, (style,))
    begin_ms, end_ms = (drawn.truth.transfer_ms + hours * HOUR_MS for hours in (-1, 2))
    return drawn.site, [reading for reading in drawn.readings if begin_ms <= reading.arrived_ms <= end_ms]


def disturbed(readings: list[Reading], seed: int) -> list[Reading]:
    """The same readings: one in twenty arrives up to three minutes late among the others, one in thirty twice."""
    rng = np.random.default_rng(seed)
    places = np.arange(len(readings), dtype=float)
    late = rng.random(len(readings)) < 0.05
    places[late] += rng.uniform(1.0, 30.0, int(late.sum()))
    order = [readings[k] for k in np.argsort(places, kind="stable").tolist()]
    return [again for reading in order for again in [reading] * (2 if rng.random() < 1.0 / 30.0 else 1)]


@pytest.mark.parametrize("style", [Style.POWER, Style.POWER_COUNTER, Style.NO_CHARGE, Style.OUTLOOK])
@pytest.mark.parametrize("orderly", [pytest.param(True, marks=pytest.mark.slow), False])
def test_asking_often_and_asking_once_give_the_same_forecast(style: Style, orderly: bool) -> None:
    site, readings = heard(style, 41)
    if not orderly:
        readings = disturbed(readings, 5)
    asked, alone = Engine(site), Engine(site)
    for number, reading in enumerate(readings):
        asked.update(reading)
        alone.update(reading)
        if number % 7 == 0:
            asked.forecast(reading.arrived_ms)
        if number % 300 == 299:
            fresh = Engine.restore(site, alone.snapshot())
            now_ms = reading.arrived_ms + 1_000
            assert asked.forecast(now_ms) == fresh.forecast(now_ms)
    now_ms = readings[-1].arrived_ms + 5 * 60_000
    assert asked.forecast(now_ms) == alone.forecast(now_ms)
    assert asked.status(now_ms) == alone.status(now_ms)
    assert asked.snapshot() == alone.snapshot()
