"""Alarms: the rationalisation table, rules, the manager with its states, and who is told what."""

from forecaster.alarms.evidence import Failing, Outside, RefusedChannel, doubted_channels
from forecaster.alarms.manager import AlarmManager
from forecaster.alarms.table import TABLE, Rationale, row_for

__all__ = ["TABLE", "AlarmManager", "Failing", "Outside", "Rationale", "RefusedChannel", "doubted_channels", "row_for"]
