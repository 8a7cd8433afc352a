"""An output that rests as it has rested before has not tripped."""

from __future__ import annotations

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Load
from forecaster.domain.times import DAY_MS, MINUTE_MS
from forecaster.engine import Engine
from forecaster.engine.rests import LEAST_RESTS, Rests
from forecaster.twin.live import larkspur_site

GAP_MS = 5 * MINUTE_MS
PUMP_W = 200.0


def told(rests: Rests, from_min: int, until_min: int, watts: float) -> None:
    """A reading a minute of one power."""
    for minute in range(from_min, until_min):
        rests.feed(minute * MINUTE_MS, watts, PUMP_W, GAP_MS)


def rested(times: int, length_min: int = 18) -> Rests:
    """So many rests of one length, each after twelve minutes of 60 W; then it rests again."""
    rests, at = Rests(), 0
    for _ in range(times):
        told(rests, at, at + 12, 60.0)
        told(rests, at + 12, at + 12 + length_min, 0.0)
        at += 12 + length_min
    told(rests, at, at + 12, 60.0)
    told(rests, at + 12, at + 13, 1.9)
    return rests


def test_three_rests_in_a_day_are_how_a_load_works() -> None:
    for times in (LEAST_RESTS - 1, LEAST_RESTS):
        rests = rested(times)
        assert rests.since_ms is not None
        assert rests.usual(rests.since_ms) is (times == LEAST_RESTS)


def test_a_rest_may_last_twice_the_usual_one() -> None:
    rests = rested(5)
    assert rests.since_ms is not None
    assert rests.usual(rests.since_ms + 36 * MINUTE_MS)
    assert not rests.usual(rests.since_ms + 36 * MINUTE_MS + 1)


def test_what_ended_more_than_a_day_ago_or_after_less_than_a_minute_tells_nothing() -> None:
    rests = rested(LEAST_RESTS)
    first_end_ms = rests.ended[0][0]
    rests.since_ms = first_end_ms + DAY_MS
    assert rests.usual(first_end_ms + DAY_MS)
    assert not rests.usual(first_end_ms + DAY_MS + 1)
    short = Rests()
    for second in range(0, 600, 20):
        short.feed(second * 1000, 0.0 if second % 60 else 60.0, PUMP_W, GAP_MS)
    assert short.ended == []


def test_one_long_trip_among_rests_does_not_stretch_them() -> None:
    rests = rested(5)
    rests.ended = [*rests.ended, (rests.ended[-1][0] + 1, 300 * MINUTE_MS)]
    assert rests.since_ms is not None
    assert not rests.usual(rests.since_ms + 37 * MINUTE_MS)


def test_a_run_of_the_pump_ends_no_rest() -> None:
    rests = Rests()
    for minute, watts in enumerate((60.0, 0.0, 0.0, PUMP_W, 0.0, 0.0, 60.0)):
        rests.feed(minute * MINUTE_MS, watts, PUMP_W, GAP_MS)
    assert rests.ended == [(6 * MINUTE_MS, 5 * MINUTE_MS)]


def test_a_gap_ends_no_rest_because_nobody_saw_it() -> None:
    rests = Rests()
    told(rests, 0, 5, 0.0)
    rests.feed(5 * MINUTE_MS + GAP_MS, 60.0, PUMP_W, GAP_MS)
    assert rests.ended == []


def test_a_freezer_listed_by_its_watts_rests_and_a_trip_does_not() -> None:
    """12 minutes of 60 W and 18 of nothing; then nothing for 40 minutes. The snapshot keeps it."""
    site = larkspur_site()
    object.__setattr__(site, "loads", (Load("freezer", 60.0),))
    engine = Engine(site)
    for tenth in range(5 * 180 + 240):
        at_ms = tenth * 10_000
        minute, cycles = at_ms // MINUTE_MS, at_ms < 150 * MINUTE_MS
        output_w = 60.0 if cycles and minute % 30 < 12 else 0.0
        for quantity, value in ((Quantity.PACK_OUTPUT_POWER, output_w), (Quantity.PUMP_POWER, 0.0)):
            engine.update(Reading(site.id, quantity, at_ms, value, at_ms))
        if at_ms == 140 * MINUTE_MS:
            assert engine.status(at_ms).output_rests
            assert Engine.restore(site, engine.snapshot()).status(at_ms).output_rests
    assert not engine.status(190 * MINUTE_MS).output_rests
