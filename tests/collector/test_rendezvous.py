"""Rendezvous hashing: all members agree, and nothing moves but what must."""

from __future__ import annotations

from statistics import fmean

from hypothesis import given
from hypothesis import strategies as st

from collector.rendezvous import SHARES, carried_by, carrier_of

ALL = range(1, SHARES + 1)
NAMES = st.text(st.characters(codec="ascii", categories=("L", "N")), min_size=1, max_size=20)
MEMBERS = st.lists(NAMES, min_size=1, max_size=9, unique=True)


def dealt(members: list[str]) -> dict[int, str | None]:
    return {share: carrier_of(f"forecast:{share}", members) for share in ALL}


@given(MEMBERS.flatmap(lambda members: st.tuples(st.just(members), st.permutations(members))))
def test_every_member_comes_to_the_same_answer(orders: tuple[list[str], list[str]]) -> None:
    assert dealt(orders[0]) == dealt(orders[1])


@given(MEMBERS)
def test_every_share_has_one_carrier(members: list[str]) -> None:
    carried = [carried_by(member, "forecast", ALL, members) for member in members]
    assert sorted(share for shares in carried for share in shares) == list(ALL)


@given(MEMBERS, NAMES)
def test_only_what_the_newcomer_carries_moves_and_back_when_it_goes(members: list[str], newcomer: str) -> None:
    """Minimal disruption, the defining property of Thaler and Ravishankar 1998, section IV."""
    if newcomer in members:
        return
    before, after = dealt(members), dealt([*members, newcomer])
    moved = {share for share in ALL if before[share] != after[share]}
    assert moved == {share for share in ALL if after[share] == newcomer}
    assert dealt([name for name in [*members, newcomer] if name != newcomer]) == before


def test_a_newcomer_takes_its_part_and_no_more() -> None:
    """Of n members each carries 1/n on average: over 400 groups of names within four standard errors of it."""
    for size in (2, 3, 5, 8):
        parts = []
        for group in range(400):
            members = [f"machine-{group}-{n}" for n in range(size)]
            parts.append(len(carried_by(members[-1], "collect", ALL, members)) / SHARES)
        spread = (size - 1) ** 0.5 / size / (SHARES * 400) ** 0.5
        assert abs(fmean(parts) - 1 / size) < 4 * spread


def test_nobody_carries_where_nobody_lives() -> None:
    assert carrier_of("forecast:1", []) is None


def test_the_answer_stays_over_releases() -> None:
    """Members of two releases work side by side in an upgrade. Expected: the greatest BLAKE2b-64, computed apart."""
    assert carried_by("attic", "forecast", range(1, 9), ["attic", "garage", "office"]) == {5}
    assert carrier_of("forecast:0", ["attic", "garage", "office"]) == "office"
