"""Alarms: the rationalisation table, rules, the desk with its states, and who is told what."""

from forecaster.alarms.desk import AlarmDesk
from forecaster.alarms.evidence import Failing, Outside, RefusedChannel, doubted_channels
from forecaster.alarms.table import TABLE, Rationale, row_for

__all__ = ["TABLE", "AlarmDesk", "Failing", "Outside", "Rationale", "RefusedChannel", "doubted_channels", "row_for"]
