"""A manager's memory made anew from the alarms in the ledger, where its own was written by a release that is not read.

No alarm starts anew by it: what stands goes on with its episode, its acknowledgement and its shelf. What only the
lost memory knew (delays under way, the messages of the last hours) begins afresh.
"""

from __future__ import annotations

from collections.abc import Sequence

from forecaster.alarms.gate import Gate
from forecaster.alarms.standing import ManagerState, Standing, ends_of
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState
from forecaster.domain.forecast import Forecast
from forecaster.domain.times import DAY_MS

TEST_DUE_MS = 366 * DAY_MS
"""Where a test is due, the installation is at least so old that it goes on being due."""


def state_from(alarms: Sequence[Alarm], newest: Forecast | None) -> ManagerState:
    """What a manager must remember of these alarms.

    alarms : Sequence[Alarm] — of one site in their newest revision, newest change first
    newest : Forecast | None — the last one told: its end is what people were told, as well as is known
    """
    state = ManagerState()
    told_end = None if newest is None else ends_of(newest)
    for alarm in alarms:
        if alarm.kind in state.standings:
            continue
        state.standings[alarm.kind] = Standing(
            gate=Gate(active=alarm.cleared_ms is None and alarm.state is not AlarmState.NORMAL),
            alarm=alarm,
            told_ms=alarm.changed_ms,
            told_end_ms=told_end,
            hub_end_ms=None if told_end is None else told_end[1],
            hub_ms=alarm.changed_ms,
            shelved_until_ms=alarm.shelved_until_ms if alarm.state is AlarmState.SHELVED else None,
        )
    if alarms:
        begun = (a.raised_ms - (TEST_DUE_MS if a.kind is AlarmKind.TEST_DUE else 0) for a in alarms)
        state.first_ms, state.heard_ms = min(begun), max(alarm.changed_ms for alarm in alarms)
    return state
