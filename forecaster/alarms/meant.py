"""Whether a time on the pack is intended: a discharge test whose plug was said to be pulled, within its plan."""

from __future__ import annotations

from forecaster.alarms.evidence import AlarmEvidence
from forecaster.alarms.grouping import OUTAGE_ALARMS
from forecaster.domain.alarms import AlarmKind
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.times import DAY_MS, MINUTE_MS

PULL_WITHIN_MS = 10 * MINUTE_MS
"""The supply must change within this time after "I am pulling the plug now"."""
BEFORE_MS = 2 * MINUTE_MS
"""The change may appear this much earlier than the announcement [ms]: sources report at intervals, clocks differ."""
GRACE_MS = 10 * MINUTE_MS
"""After the end of a test, or of its plan, the plug may take this long to be back in the wall [ms]."""
LONGEST_MS = DAY_MS
BELOW_PERCENT = 1.0
INFLOW_TIMES, LEAST_DUTY = 2.0, 0.05
"""A duty above this multiple of that at the pull, and above this share, is inflow beyond the plan."""
BEYOND = OUTAGE_ALARMS - {AlarmKind.MAINS_LOST, AlarmKind.LOW_RESERVE}
"""Alarms that are outside any plan. Low reserve is not among them: small packs begin their test with it."""


def began_with(test: DischargeTest, since_ms: int) -> bool:
    """Whether the supply changed to the pack after somebody had announced it."""
    return test.pulled_ms is not None and test.pulled_ms - BEFORE_MS <= since_ms <= test.pulled_ms + PULL_WITHIN_MS


def is_rehearsed(seen: AlarmEvidence) -> bool:
    """Whether the pack took over for a test, within its plan or not."""
    test, since = seen.outside.rehearsal, seen.status.supply_since_ms
    return test is not None and since is not None and began_with(test, since)


def is_meant(seen: AlarmEvidence) -> bool:
    """Whether the pack carries the pump for a test within its plan. Anything beyond the plan is treated as real."""
    test = seen.outside.rehearsal
    if test is None or not is_rehearsed(seen):
        return False
    return not (_past_plan(test, seen) or seen.open & BEYOND or _more_inflow(test, seen))


def _past_plan(test: DischargeTest, seen: AlarmEvidence) -> bool:
    began_ms = seen.status.supply_since_ms or seen.now_ms
    ends = (test.finished_ms, test.until_ms, began_ms + LONGEST_MS)
    if any(end is not None and seen.now_ms > end + GRACE_MS for end in ends):
        return True
    charge, reserve = seen.status.charge_percent, seen.site.pack.reserve_percent
    least = reserve if test.until_percent is None else max(test.until_percent - BELOW_PERCENT, reserve)
    return charge is not None and charge < least


def _more_inflow(test: DischargeTest, seen: AlarmEvidence) -> bool:
    duty, then = seen.forecast.duty, test.pulled_duty
    return duty is not None and then is not None and duty > max(INFLOW_TIMES * then, LEAST_DUTY)
