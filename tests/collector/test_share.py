"""Shares deal every site to exactly one process, evenly and for good."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from collector.share import WHOLE, Share, parse_share
from forecaster.domain.errors import UsageError


@given(st.text("abcdefghijklmnopqrstuvwxyz0123456789-", min_size=1, max_size=40), st.integers(1, 50))
def test_every_site_has_one_owner(site: str, count: int) -> None:
    assert sum(Share(number, count).owns(site) for number in range(1, count + 1)) == 1


def test_shares_are_even() -> None:
    """10,000 ids over seven shares: no more uneven than chance (chi-squared, from scipy)."""
    sites = dict.fromkeys(f"house-{n}" for n in range(10_000))
    sizes = [len(Share(number, 7).of(sites)) for number in range(1, 8)]
    assert sum(sizes) == 10_000
    assert stats.chisquare(sizes).pvalue > 0.001


def test_a_site_never_moves_between_releases() -> None:
    """Written down once: blake2b-64 of the id, big-endian, modulo the count, computed with Python's hashlib."""
    assert [Share(n, 5).owns("larkspur") for n in range(1, 6)] == [False, True, False, False, False]


def test_names() -> None:
    assert parse_share("2/5") == Share(2, 5)
    assert Share(2, 5).named("outlast") == "outlast-2-5"
    assert WHOLE.named("outlast") == "outlast"


@pytest.mark.parametrize("text", ["0/5", "6/5", "2", "2/0", "a/b", "-1/2", "2/5/7", ""])
def test_wrong_shares_are_one_line(text: str) -> None:
    with pytest.raises(UsageError, match="write it as 2/5"):
        parse_share(text)
