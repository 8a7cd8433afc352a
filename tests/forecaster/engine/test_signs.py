"""Signs of work where single runs cannot be told: a dead pump is overdue by the site's own rhythm, and no earlier."""

from __future__ import annotations

import numpy as np
import pytest

from forecaster.engine.signs import Signs

MINUTE = 60_000
LIMIT = 0.99
"""Of `pump-silent`: this project's own choice."""


def watched(waits_min: list[float], rate_w: float = 30.0, every_min: float = 1.0) -> tuple[Signs, int]:
    """Signs that came after these waits, on readings once a minute; and the time of the last."""
    signs, now = Signs(), 0
    for wait in waits_min:
        due = now + int(wait * MINUTE)
        while now < due:
            now += int(every_min * MINUTE)
            signs.heard(now, worked=now >= due, gap_ms=10 * MINUTE, recent_w=rate_w)
    return signs, now


def dead(signs: Signs, now: int, minutes: float, rate_w: float = 30.0) -> float:
    """How overdue after so many more minutes without a sign."""
    for minute in range(1, int(minutes) + 1):
        signs.heard(now + minute * MINUTE, worked=False, gap_ms=10 * MINUTE, recent_w=rate_w)
    wait = signs.wait()
    assert wait is not None, "nothing is waited for"
    return wait.probability


def test_an_even_rhythm_makes_a_dead_pump_overdue_after_two_waits() -> None:
    signs, now = watched([12.0, 13.0, 11.0, 12.0] * 20)
    assert dead(signs, now, 13.0) < LIMIT
    assert dead(signs, now, 26.0) > LIMIT
    wait = signs.wait()
    assert wait is not None
    assert wait.since_ms == now
    assert wait.waits == pytest.approx(26.0 / 12.0, rel=0.1)


def test_signs_that_come_by_chance_are_waited_for_far_longer() -> None:
    """Sampling that catches one run in ten gives exponential waits: the longest of many is no dead pump."""
    rng = np.random.default_rng(5)
    waits = np.maximum(1.0, rng.exponential(20.0, size=2_000)).tolist()
    signs, false = Signs(), 0
    now = 0
    for wait in waits:
        now += int(wait * MINUTE)
        signs.heard(now - 1, worked=False, gap_ms=1 << 40, recent_w=30.0)
        found = signs.wait()
        false += found is not None and found.probability > LIMIT
        signs.heard(now, worked=True, gap_ms=1 << 40, recent_w=30.0)
    assert false <= 1
    assert dead(signs, now, 60.0) < LIMIT
    assert dead(signs, now, 600.0) > LIMIT


def test_a_drier_day_has_longer_waits_and_is_no_dead_pump() -> None:
    signs, now = watched([10.0] * 60, rate_w=30.0)
    for wait, rate_w in ((20.0, 15.0), (40.0, 7.5), (80.0, 3.75)):
        due = now + int(wait * MINUTE)
        signs.rate_w = rate_w  # what the newest sign knew
        while now < due:
            now += MINUTE
            signs.heard(now, worked=now >= due, gap_ms=10 * MINUTE, recent_w=rate_w)
            found = signs.wait()
            assert found is None or found.probability < LIMIT


def test_a_gap_is_no_wait_and_few_signs_are_no_rhythm() -> None:
    signs, now = watched([10.0] * 60)
    signs.heard(now + 300 * MINUTE, worked=False, gap_ms=10 * MINUTE, recent_w=30.0)
    assert signs.wait() is None
    few, _ = watched([10.0] * 12)
    assert few.wait() is None


def test_a_stand_in_that_sees_few_runs_is_not_judged_by_the_rhythm_of_what_saw_them_all() -> None:
    """The plug falls silent; the pack's output, sampled seldom, catches a run now and then: nothing is overdue."""
    signs, now = watched([12.0, 13.0, 11.0, 12.0] * 20)
    signs.heard(now + MINUTE, worked=True, gap_ms=10 * MINUTE, recent_w=30.0, source="pack_output_power")
    for minute in range(2, 120):
        at_ms = now + minute * MINUTE
        signs.heard(at_ms, worked=False, gap_ms=10 * MINUTE, recent_w=30.0, source="pack_output_power")
    assert signs.wait() is None
    signs.heard(now + 121 * MINUTE, worked=True, gap_ms=10 * MINUTE, recent_w=30.0)
    assert dead(signs, now + 121 * MINUTE, 26.0) > LIMIT


@pytest.mark.parametrize(("minutes", "said"), [(20.0, 0.95), (40.0, 0.95), (58.0, 0.95), (62.0, 1.0)])
def test_a_wait_that_the_site_has_known_is_never_told_as_certain(minutes: float, said: float) -> None:
    """One wait of half an hour among even ones: within twice that, the pump is at most 95 % overdue (own choice)."""
    signs, now = watched([12.0, 13.0, 11.0, 12.0] * 12 + [30.0] + [12.0] * 4)
    assert dead(signs, now, minutes) == pytest.approx(said, abs=0.001)


def test_the_same_rhythm_of_a_tenth_of_a_watt_hour_says_the_same() -> None:
    """A trickle: 0.1 Wh are due from one sign to the next."""
    said = []
    for rate_w in (30.0, 0.5):
        signs, now = watched([12.0, 13.0, 11.0, 9.0] * 20, rate_w=rate_w)
        said.append(dead(signs, now, 13.0, rate_w))
    assert said[1] == pytest.approx(said[0])
    assert 0.5 < said[0] < 0.95
