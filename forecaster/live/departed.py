"""Sites that are gone or renamed: what stands of their alarms is closed, and nobody is told of them any more."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from forecaster.alarms.standing import DeskState
from forecaster.domain.alarms import Alarm, AlarmState, AlarmTransition, TransitionKind
from forecaster.domain.ports import Ledger
from forecaster.domain.records import Checkpoint

STANDING = (
    AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED, AlarmState.SHELVED,
)  # fmt: skip
FOR_EVER_MS = 2**52
MOST = 100_000
WHY = "the site is not there any more"


def close_departed(ledger: Ledger, sites: Collection[str], channels: Collection[str], now_ms: int) -> list[Alarm]:
    """Close the alarms of sites that are not among these, and give up what is owed for them; those closed.

    sites : ids of all sites of the installation, those whose file is set aside among them
    channels : of which deliveries are looked through
    A site that comes back begins with a desk that remembers nothing. StoreError.
    """
    gone = [alarm for alarm in ledger.alarms(None, STANDING, MOST) if alarm.site not in sites]
    closed = [_closed(alarm, now_ms) for alarm in gone]
    if closed:
        blank = [Checkpoint(site, None, now_ms, DeskState().encode()) for site in {alarm.site for alarm in gone}]
        transitions = [AlarmTransition(alarm, TransitionKind.CLEARED, now_ms, tell=False) for alarm in closed]
        ledger.commit_transitions(transitions, [], blank)
    for channel in channels:
        for owed in ledger.due(channel, FOR_EVER_MS, MOST):
            if owed.site and owed.site not in sites:
                ledger.settle(replace(owed, gave_up=True, last_error=WHY))
    return closed


def _closed(alarm: Alarm, now_ms: int) -> Alarm:
    return replace(
        alarm, state=AlarmState.NORMAL, changed_ms=now_ms, cleared_ms=alarm.cleared_ms or now_ms, by_ms=None,
        shelved_until_ms=None, revision=alarm.revision + 1,
    )  # fmt: skip
