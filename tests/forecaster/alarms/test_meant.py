"""When being on the pack is meant: each edge of a rehearsal's plan, from both sides."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from forecaster.alarms import Outside
from forecaster.alarms.evidence import AlarmEvidence
from forecaster.alarms.meant import is_meant, is_rehearsed
from forecaster.domain.alarms import AlarmKind
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.runs import Supply
from forecaster.domain.site import AlarmLimits
from tests.forecaster.evidence import DAY, HOUR, LARKSPUR, MINUTE, START_MS, forecast, status

NOW = START_MS + HOUR
PULLED = DischargeTest(
    "t1", "larkspur", START_MS - 5 * MINUTE, "owner", until_percent=60.0, until_ms=START_MS + 3 * HOUR,
    pulled_ms=START_MS, pulled_duty=0.10,
)  # fmt: skip


def seen(
    test: DischargeTest | None = PULLED, *, now_ms: int = NOW, duty: float | None = 0.1, since_ms: int = START_MS,
    charge: float | None = 80.0, standing: frozenset[AlarmKind] = frozenset(),
) -> AlarmEvidence:  # fmt: skip
    """An hour into the test, on the pack since the plug was pulled."""
    facts: dict[str, Any] = {"supply": Supply.PACK, "supply_since_ms": since_ms, "charge_percent": charge}
    told = status(now_ms, **facts)
    ahead = forecast(now_ms, supply=Supply.PACK, duty=duty)
    return AlarmEvidence(
        LARKSPUR, AlarmLimits(), told, ahead, Outside(rehearsal=test), now_ms, START_MS - DAY, START_MS - DAY,
        open=standing,
    )  # fmt: skip


def test_within_its_plan_it_is_meant() -> None:
    assert is_meant(seen())


def test_without_a_word_that_the_plug_is_pulled_nothing_is_meant() -> None:
    for test in (None, replace(PULLED, pulled_ms=None)):
        assert not is_rehearsed(seen(test))
        assert not is_meant(seen(test))


@pytest.mark.parametrize(("minutes", "belongs"), [(-3, False), (-2, True), (0, True), (10, True), (11, False)])
def test_the_change_belongs_to_the_word_from_two_minutes_before_to_ten_after(minutes: int, belongs: bool) -> None:
    assert is_rehearsed(seen(since_ms=START_MS + minutes * MINUTE)) is belongs


@pytest.mark.parametrize(
    ("then", "duty", "meant"),
    [(0.10, 0.19, True), (0.10, 0.21, False), (0.01, 0.045, True), (0.01, 0.055, False), (0.10, None, True)],
)
def test_more_than_twice_the_inflow_at_the_pull_is_beyond_the_plan(then: float, duty: float, meant: bool) -> None:
    """And where hardly any water came, more than a twentieth of what the pump can move."""
    assert is_meant(seen(replace(PULLED, pulled_duty=then), duty=duty)) is meant


@pytest.mark.parametrize(("charge", "meant"), [(60.0, True), (59.0, True), (58.9, False), (None, True)])
def test_below_its_floor_by_more_than_a_per_cent_is_beyond_the_plan(charge: float | None, meant: bool) -> None:
    assert is_meant(seen(charge=charge)) is meant


def test_no_plan_goes_below_the_reserve() -> None:
    reserve = LARKSPUR.pack.reserve_percent
    without = replace(PULLED, until_percent=None)
    assert is_meant(seen(without, charge=reserve))
    assert not is_meant(seen(without, charge=reserve - 0.1))


def test_ten_minutes_after_its_end_the_plug_must_be_back() -> None:
    ends = START_MS + 3 * HOUR
    assert is_meant(seen(now_ms=ends + 10 * MINUTE))
    assert not is_meant(seen(now_ms=ends + 11 * MINUTE))
    done = replace(PULLED, finished_ms=START_MS + HOUR)
    assert is_meant(seen(done, now_ms=START_MS + HOUR + 10 * MINUTE))
    assert not is_meant(seen(done, now_ms=START_MS + HOUR + 11 * MINUTE))
    endless = replace(PULLED, until_ms=None)
    assert is_meant(seen(endless, now_ms=START_MS + DAY))
    assert not is_meant(seen(endless, now_ms=START_MS + DAY + 11 * MINUTE))


def test_an_alarm_that_no_plan_has_room_for_makes_it_the_real_thing() -> None:
    assert not is_meant(seen(standing=frozenset({AlarmKind.RESERVE_REACHED})))
    for kind in (AlarmKind.MAINS_LOST, AlarmKind.LOW_RESERVE):
        assert is_meant(seen(standing=frozenset({kind})))
