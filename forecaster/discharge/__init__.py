"""Discharge tests: a rehearsal on the pack, to measure instead of assume.

`Evidence` is what was read, `analyse` what it says, `watch` how far a running test is and when it ends. Pure.
"""

from forecaster.discharge.analysis import analyse
from forecaster.discharge.evidence import DischargeEvidence
from forecaster.discharge.watch import Progress, due_after_ms, finish_reason, latest_result, next_due_ms, progress

__all__ = [
    "DischargeEvidence",
    "Progress",
    "analyse",
    "due_after_ms",
    "finish_reason",
    "latest_result",
    "next_due_ms",
    "progress",
]
