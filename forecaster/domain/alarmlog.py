"""The part of the ledger's port that keeps alarms and what happened to them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from forecaster.domain.alarms import Alarm, AlarmState, AlarmTransition
from forecaster.domain.records import AlarmPage, AlarmQuery, Checkpoint, Delivery


class AlarmLog(Protocol):
    """Alarms, their transitions, and the order in which these were committed."""

    def commit_transitions(
        self, transitions: Sequence[AlarmTransition], deliveries: Sequence[Delivery], checkpoints: Sequence[Checkpoint]
    ) -> None:
        """Transitions, their deliveries and the alarm manager's state, in one transaction; idempotent by key."""
        ...

    def alarms(
        self, site: str | None = None, states: Sequence[AlarmState] | None = None, limit: int = 500
    ) -> list[Alarm]:
        """Alarms in their newest revision, newest change first."""
        ...

    def alarms_of(self, sites: Sequence[str], states: Sequence[AlarmState]) -> dict[str, list[Alarm]]:
        """Alarms of some sites in one look, newest change first; sites without any are left out."""
        ...

    def alarm_page(self, query: AlarmQuery) -> AlarmPage:
        """A page of the alarms of one or all sites, newest change first. StoreRefused for a cursor of another page."""
        ...

    def alarm(self, alarm_id: str) -> Alarm:
        """One alarm; NotFound."""
        ...

    def transitions(self, site: str, start_ms: int, end_ms: int, limit: int = 500) -> list[AlarmTransition]:
        """Transitions in [start_ms, end_ms), newest first."""
        ...

    def newest_change(self) -> int:
        """The number of the transition that was committed last; 0 where there was none."""
        ...

    def changes(self, after: int, limit: int, site: str | None = None) -> list[tuple[int, AlarmTransition]]:
        """Transitions of one or all sites with a number above `after`, in the order in which they were committed.

        Whoever has read up to a number misses none: a lower one never comes into being later, whatever time a
        transition bears. Those committed before there were numbers (ledgers before version 9) have none.
        """
        ...
