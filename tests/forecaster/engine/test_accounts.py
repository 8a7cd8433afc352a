"""The slope of the charge, worked by hand."""

from __future__ import annotations

import pytest

from forecaster.domain.times import MINUTE_MS
from forecaster.engine.accounts import Accounts, Mark


def told(*minutes_and_percent: tuple[int, float]) -> Accounts:
    accounts = Accounts(reserve_percent=10.0)
    for minute, percent in minutes_and_percent:
        accounts.charge(Mark(minute * MINUTE_MS, percent, 0.0, 0, 0.0, 0.0))
    return accounts


def rate(accounts: Accounts, minute: int) -> float | None:
    return accounts.rate_percent_per_h(minute * MINUTE_MS)


def test_the_slope_is_from_change_to_change() -> None:
    """80, 79 and 78 % at 0, 10 and 20 minutes: 2 % in 20 minutes, 6 % an hour."""
    assert rate(told((0, 80.0), (10, 79.0), (20, 78.0)), 20) == pytest.approx(-6.0)


def test_what_is_older_than_three_quarters_of_an_hour_counts_no_more() -> None:
    """80 % at 0, 70 % at 60, 69 % at 70 and 68 % at 80 minutes: 2 % in the last 20 minutes."""
    assert rate(told((0, 80.0), (60, 70.0), (70, 69.0), (80, 68.0)), 80) == pytest.approx(-6.0)


def test_changes_an_hour_apart_tell_a_slope_as_well() -> None:
    """90 % at 0 and 89 % at 60 minutes, still 89 % at 70: one per cent an hour, though only one change is recent."""
    assert rate(told((0, 90.0), (60, 89.0), (70, 89.0)), 70) == pytest.approx(-1.0)


def test_a_charge_that_stands_is_slower_than_its_last_step() -> None:
    """A step of 1 % in 10 minutes, and none in the 30 minutes since: at most 2 % an hour."""
    assert rate(told((0, 80.0), (10, 79.0), (40, 79.0)), 40) == pytest.approx(-2.0)


def test_a_charge_that_rises_has_a_slope_upwards() -> None:
    assert rate(told((0, 50.0), (30, 52.0)), 30) == pytest.approx(4.0)


def test_of_one_change_no_slope_is_known() -> None:
    assert rate(Accounts(reserve_percent=10.0), 10) is None
    assert rate(told((0, 80.0)), 10) is None
    assert rate(told((0, 80.0), (5, 80.0)), 10) is None


def test_the_charge_at_a_time_is_the_one_last_told() -> None:
    accounts = told((0, 80.0), (10, 79.0), (20, 78.0))
    assert [accounts.charge_at(minute * MINUTE_MS) for minute in (0, 9, 10, 25)] == [80.0, 80.0, 79.0, 78.0]
