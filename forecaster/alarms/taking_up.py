"""An alarm manager's state made from the ledger's alarms, where the saved one is of a release that cannot be read.

No alarm starts again: open ones keep their episode, acknowledgement and shelving. What only the lost state contained
(running delays, the messages of the last hours) starts afresh.
"""

from __future__ import annotations

from collections.abc import Sequence

from forecaster.alarms.gate import Gate
from forecaster.alarms.standing import ManagerState, Standing, ends_of
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState
from forecaster.domain.forecast import Forecast
from forecaster.domain.times import DAY_MS

TEST_DUE_MS = 366 * DAY_MS
"""Where a test is due, the installation is taken to be at least so old that it stays due [ms]."""


def state_from(alarms: Sequence[Alarm], newest: Forecast | None) -> ManagerState:
    """A manager's state with these alarms.

    alarms : Sequence[Alarm] — of one site in their newest revision, newest change first
    newest : Forecast | None — the last published one: its end stands for what people were told
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
