"""How completely a quantity was heard, and its integral, against sums worked by hand and against a plain count."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.process.services import Services
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Gap
from forecaster.domain.site import Channel
from forecaster.domain.times import DAY_MS, HOUR_MS, MINUTE_MS
from forecaster.outage.heard import Heard, heard, joined, overlap
from tests.api.pagesample import site
from tests.scenario import NOW_MS, services

POWER = Channel(Quantity.PACK_OUTPUT_POWER, "cellar/pack", "$.out", "W", max_silence_s=120.0)
RAIN = Channel(Quantity.RAIN_DEPTH, "cellar/rain", None, "mm")
START_MS = NOW_MS - 10 * HOUR_MS
END_MS = START_MS + HOUR_MS


@pytest.fixture
def held(tmp_path: Path) -> Iterator[Services]:
    made = services(tmp_path, {"larkspur": site()})
    yield made
    made.close()


def tell(held: Services, quantity: Quantity, values: list[tuple[int, float]]) -> None:
    held.store.append([Reading("larkspur", quantity, at_ms, value, at_ms) for at_ms, value in values])


def every_minute(first: int, last: int, watts: float) -> list[tuple[int, float]]:
    return [(START_MS + minute * MINUTE_MS, watts) for minute in range(first, last)]


def heard_of(held: Services, channel: Channel, start_ms: int, end_ms: int) -> Heard:
    gaps = held.ledger.gaps("larkspur", start_ms, end_ms)
    return heard(held.store, gaps, "larkspur", channel, start_ms, end_ms)


def test_an_hour_at_a_steady_power(held: Services) -> None:
    """90 W for an hour are 90 Wh; the reading before the start holds into it."""
    tell(held, Quantity.PACK_OUTPUT_POWER, [(START_MS - 30_000, 90.0), *every_minute(1, 61, 90.0)])
    found = heard_of(held, POWER, START_MS, END_MS)
    assert (found.count, found.gaps, found.share) == (59, (), 1.0)
    assert found.value_h == pytest.approx(90.0)


def test_nothing_is_integrated_across_a_silence(held: Services) -> None:
    """60 W but for minutes 20 to 40: two silences of 0 and 21 minutes. Known are 39 minutes, 39 Wh."""
    tell(held, Quantity.PACK_OUTPUT_POWER, every_minute(0, 20, 60.0) + every_minute(40, 60, 60.0))
    found = heard_of(held, POWER, START_MS, END_MS)
    assert found.gaps == ((START_MS + 19 * MINUTE_MS, START_MS + 40 * MINUTE_MS),)
    assert found.share == pytest.approx(39 / 60)
    assert found.value_h == pytest.approx(39.0)


def test_what_the_engine_booked_counts_too_and_once(held: Services) -> None:
    """A booked gap within steady readings, partly before the span: ten of its minutes lie within."""
    tell(held, Quantity.PACK_OUTPUT_POWER, every_minute(-2, 60, 60.0))
    gap = Gap("larkspur", Quantity.PACK_OUTPUT_POWER, START_MS - 5 * MINUTE_MS, START_MS + 10 * MINUTE_MS)
    held.ledger.record([gap])
    found = heard_of(held, POWER, START_MS, END_MS)
    assert found.gaps == ((START_MS, START_MS + 10 * MINUTE_MS),)
    assert found.value_h == pytest.approx(50.0)


def test_never_heard_is_no_zero(held: Services) -> None:
    found = heard_of(held, POWER, START_MS, END_MS)
    assert (found.count, found.gaps, found.share, found.value_h) == (0, ((START_MS, END_MS),), 0.0, None)


def test_rain_is_silent_by_its_nature(held: Services) -> None:
    """Two tips in an hour are no gap; none at all is neither heard nor missed."""
    none = heard_of(held, RAIN, START_MS, END_MS)
    assert (none.count, none.gaps, none.share) == (0, (), None)
    tell(held, Quantity.RAIN_DEPTH, [(START_MS + 5 * MINUTE_MS, 0.2), (START_MS + 50 * MINUTE_MS, 0.4)])
    some = heard_of(held, RAIN, START_MS, END_MS)
    assert (some.count, some.gaps, some.share) == (2, (), 1.0)
    assert some.total == pytest.approx(0.6)


def test_days_are_read_by_the_minute_with_the_same_energy(held: Services) -> None:
    """Four days with a reading every half minute, 40 and 80 W in turn: 96 h of 60 W on average."""
    start_ms = NOW_MS - 5 * DAY_MS
    turns = [(start_ms + k * 30_000, 40.0 if k % 2 else 80.0) for k in range(4 * 2880)]
    tell(held, Quantity.PACK_OUTPUT_POWER, turns)
    found = heard_of(held, POWER, start_ms, start_ms + 4 * DAY_MS)
    assert (found.count, found.share) == (4 * 2880, 1.0)
    assert found.value_h == pytest.approx(96 * 60.0, rel=1e-3)


@given(st.lists(st.tuples(st.integers(-20, 120), st.integers(-20, 120)), max_size=8), st.integers(0, 99))
def test_joined_spans_cover_what_each_covered(pairs: list[tuple[int, int]], at: int) -> None:
    spans = [(min(pair), max(pair)) for pair in pairs]
    found = joined(spans, 0, 100)
    assert any(start <= at < stop for start, stop in spans) == any(start <= at < stop for start, stop in found)
    assert all(before[1] < after[0] for before, after in pairwise(found))
    assert overlap(at, at + 1, found) == any(start <= at < stop for start, stop in found)
