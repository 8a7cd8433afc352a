"""What a window of half an hour to an hour counts, message by message."""

from __future__ import annotations

import pytest

from collector.guard.window import HALF_MS, Window


def test_a_window_begins_with_nothing() -> None:
    window = Window()
    assert (window.taken, window.refused, window.withheld, window.refuses_much) == (0, 0, 0, False)


def test_messages_are_counted_one_by_one() -> None:
    window = Window()
    window.turn(0).taken += 2
    window.turn(HALF_MS - 1).withheld += 1
    window.refuse(1000, "not a number")
    assert (window.taken, window.refused, window.withheld) == (2, 1, 1)
    assert window.reason == "not a number"


def test_the_half_hour_before_still_counts_and_the_one_before_that_does_not() -> None:
    window = Window()
    window.turn(0).taken += 5
    window.turn(HALF_MS).taken += 3
    assert window.taken == 8
    window.turn(2 * HALF_MS)
    assert window.taken == 3
    window.turn(9 * HALF_MS)
    assert window.taken == 0, "a gap ends it"


def test_three_refused_of_sixty_are_many_and_three_of_sixty_one_are_not() -> None:
    """A twentieth, and no fewer than three."""
    for taken, many in ((57, True), (58, False)):
        window = Window()
        window.turn(0).taken += taken
        window.turn(0).changed += taken
        for _ in range(3):
            window.refuse(0, "not a number")
        assert window.refuses_much is many
    few = Window()
    for _ in range(2):
        few.refuse(0, "not a number")
    assert not few.refuses_much


def test_five_refusals_of_one_kind_are_many_where_they_are_half_of_the_news() -> None:
    """A thousand repeats of one value tell nothing new; the numbers in the reasons do not make them of other kinds."""
    for changed, many in ((5, True), (6, False)):
        window = Window()
        window.turn(0).taken += 1000
        window.turn(0).changed += changed
        for number in range(5):
            window.refuse(0, f"{number} W is more than the pump can draw")
        assert window.refuses_much is many
    mixed = Window()
    mixed.turn(0).taken += 1000
    for reason in ("no number", "no time", "no unit", "no field", "no text"):
        mixed.refuse(0, reason)
    assert not mixed.refuses_much


def refused_every(hours: int, times: int) -> Window:
    window = Window()
    for k in range(times):
        window.turn(2 * hours * k * HALF_MS).taken += 700
        window.refuse(2 * hours * k * HALF_MS, "'500 W' is not a number")
    return window


@pytest.mark.parametrize(("hours", "times", "many"), [(2, 4, False), (2, 5, True), (24, 5, True), (25, 9, False)])
def test_five_numbers_refused_at_most_a_day_apart_are_many(hours: int, times: int, many: bool) -> None:
    assert refused_every(hours, times).refuses_much is many


def test_they_count_until_something_new_is_taken() -> None:
    window = refused_every(2, 9)
    window.news(window.turn(40 * HALF_MS))
    assert not window.refuses_much
