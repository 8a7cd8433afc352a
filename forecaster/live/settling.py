"""Reads the outcomes of messages about open alarms from the ledger, and moves the next contact's turn forward by them.

It reads about once a second, less often where many alarms would make that take more than a small share of the time.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping

from forecaster.alarms.escalation import brought_forward
from forecaster.alarms.settlement import Settlement, settlement
from forecaster.domain.alarms import Alarm, AlarmState, Priority
from forecaster.domain.ports import Ledger
from forecaster.domain.site import Site
from forecaster.live.site_runner import SiteRunner

LOOK_S = 1.0
LOOK_SHARE = 0.05
"""Share of the time that reading may take."""
AT_ONCE = 500
"""Alarms in one query."""


class SettlementView:
    """The settlements of the unacknowledged alarms of some sites."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._from_s = float("-inf")
        self.newest: Mapping[str, Settlement] = {}

    def step(self, runners: Iterable[SiteRunner], now_ms: int) -> int:
        """Read, if it is time, and move messages forward. Returns how many were moved. StoreError."""
        started_s = time.monotonic()
        if started_s < self._from_s:
            return 0
        waiting = {alarm.id: (runner.site, alarm) for runner in runners for alarm in waiting_alarms(runner)}
        self.newest = self._read(list(waiting))
        moved = sum(self._bring(*waiting[alarm_id], settled, now_ms) for alarm_id, settled in self.newest.items())
        took_s = time.monotonic() - started_s
        self._from_s = started_s + max(LOOK_S, took_s / LOOK_SHARE)
        return moved

    def _read(self, alarm_ids: list[str]) -> dict[str, Settlement]:
        found: dict[str, Settlement] = {}
        for first in range(0, len(alarm_ids), AT_ONCE):
            found |= settlement(self._ledger.notices(alarm_ids[first : first + AT_ONCE]))
        return found

    def _bring(self, site: Site, alarm: Alarm, settled: Settlement, now_ms: int) -> int:
        early = brought_forward(site, alarm, settled, now_ms)
        return sum(self._ledger.bring_forward(alarm.id, who, due_ms) for who, due_ms in early.items())


def waiting_alarms(runner: SiteRunner) -> list[Alarm]:
    """The unacknowledged alarms of a site, which are repeated until somebody has seen them."""
    return [
        alarm
        for alarm in runner.manager.alarms()
        if alarm.state is AlarmState.UNACKNOWLEDGED and alarm.priority is not Priority.LOW
    ]
