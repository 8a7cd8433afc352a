"""Transitions of many sites on their way into the ledger: together, in order, and none held up by another's refusal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from collector.store.ledger import SqlLedger
from collector.store.open import open_ledger
from forecaster.domain.alarms import AlarmTransition
from forecaster.domain.errors import StoreRefused
from forecaster.domain.records import Checkpoint
from forecaster.live.pending import PendingTransitions
from forecaster.live.worker import ForecastWorker
from forecaster.twin.live import larkspur_site
from tests.contracts.ledger_contract import T0, alarm, transition
from tests.forecaster.live.test_worker import calm, nothing_planned
from tests.scenario import HeldClock


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[SqlLedger]:
    with closing(open_ledger(f"sqlite:///{tmp_path / 'ledger.db'}")) as opened:
        assert isinstance(opened, SqlLedger)
        yield opened


def owed(site: str, number: int) -> PendingTransitions:
    """A site's transition, which its own commit is to bring into the ledger."""
    one = transition(replace(alarm(number), site=site, id=f"{site}:mains-lost:{number}"))
    return PendingTransitions(replace(larkspur_site(), id=site), [one], T0, Checkpoint(site, None, T0, b"{}"))


class Watched:
    """A ledger that notes of which sites each commit is, and refuses those of one site."""

    def __init__(self, ledger: SqlLedger, refused: str = "") -> None:
        self.ledger, self.refused, self.commits = ledger, refused, list[list[str]]()

    def commit_transitions(
        self, transitions: Sequence[AlarmTransition], deliveries: Sequence[Any], checkpoints: Sequence[Checkpoint]
    ) -> None:
        sites = [one.alarm.site for one in transitions]
        if self.refused in sites:
            raise StoreRefused("not that one")
        self.commits.append(sites)
        self.ledger.commit_transitions(transitions, deliveries, checkpoints)


def worker(ledger: Any, pending: Sequence[PendingTransitions]) -> ForecastWorker:
    made = ForecastWorker({}, ledger, ledger, HeldClock(T0), plan=nothing_planned, outside=calm)
    made._pending = list(pending)
    return made


def test_many_sites_are_committed_at_once_and_each_site_in_order(ledger: SqlLedger) -> None:
    """In: 120 sites with a transition each, then another of two of them. Out: all, in four commits of 50 at most."""
    names = [f"site-{number:03d}" for number in range(120)]
    watched = Watched(ledger)
    work = worker(watched, [*(owed(name, 1) for name in names), owed(names[119], 2), owed(names[0], 2)])
    work._commit_pending()
    assert watched.commits == [names[:50], names[50:100], names[100:], [names[119], names[0]]]
    assert work._pending == []
    assert work.counts_so_far.transitions == 122
    for name in (names[0], names[119]):
        assert sorted(one.alarm.id[-1] for one in ledger.transitions(name, 0, 2**53)) == ["1", "2"]


def test_what_is_refused_of_one_site_holds_up_none_before_it(ledger: SqlLedger) -> None:
    """In: three sites, of which the ledger refuses the second. Out: the first is committed, the others wait."""
    watched = Watched(ledger, refused="elder")
    work = worker(watched, [owed(name, 1) for name in ("larkspur", "elder", "hazel")])
    with pytest.raises(StoreRefused):
        work._commit_pending()
    assert watched.commits == [["larkspur"]]
    assert [one.site.id for one in work._pending] == ["elder", "hazel"]
