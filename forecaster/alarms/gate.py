"""On-delay, off-delay and the count of runs turn verdicts that fluctuate into an alarm that does not.

OPC 10000-9 B.1.5: a value must stay beyond its limit for the on-delay before the alarm is active; between limit and
deadband nothing changes; it must stay beyond the deadband for the off-delay before the alarm returns.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from forecaster.alarms.evidence import Judgement, Verdict
from forecaster.alarms.table import Rationale

STRIDE_MS = 15 * 60_000
"""The most that one step adds to a delay [ms]: a longer one was a suspended machine, a restart or a clock jump."""


@dataclass(slots=True)
class Gate:
    """One alarm's condition after its delays.

    active : bool — the condition holds
    turned_ms : int | None — since when the evidence has indicated the other state [UTC milliseconds]
    last_ms : int | None — time of the last step
    runs : list[int] — starts of the runs that indicate the alarm, while it is not active yet
    """

    active: bool = False
    turned_ms: int | None = None
    last_ms: int | None = None
    runs: list[int] = field(default_factory=list)

    def step(self, judged: Judgement, row: Rationale, now_ms: int) -> bool:
        """Take in one verdict; True when `active` changed."""
        self._pass_time(judged.verdict, now_ms)
        contrary = Verdict.OFF if self.active else Verdict.ON
        if judged.verdict is Verdict.UNKNOWN:
            return False
        if judged.verdict is not contrary:
            self.turned_ms = None
            self.runs.clear()
            return False
        if self.turned_ms is None:
            self.turned_ms = now_ms
        if not self.active and judged.since_ms is not None:
            self.turned_ms = min(self.turned_ms, max(judged.since_ms, 0))
        if not self.active and judged.run is not None and judged.run not in self.runs:
            self.runs.append(judged.run)
        if not self.active and row.runs > 1 and len(self.runs) < row.runs:
            return False
        own_s, delay_s = (judged.off_delay_s, row.off_delay_s) if self.active else (judged.on_delay_s, row.on_delay_s)
        if own_s is not None:
            delay_s = own_s
        if now_ms - self.turned_ms < delay_s * 1000.0:
            return False
        self.active = not self.active
        self.turned_ms = None
        self.runs.clear()
        return True

    def _pass_time(self, verdict: Verdict, now_ms: int) -> None:
        """Time without evidence, and what exceeds the longest step, does not count towards a delay."""
        if self.turned_ms is not None and self.last_ms is not None:
            passed = now_ms - self.last_ms
            counted = 0 if verdict is Verdict.UNKNOWN else min(max(passed, 0), STRIDE_MS)
            self.turned_ms += passed - counted
        self.last_ms = now_ms
