"""What the forecast worker keeps from one turn to the next."""

from __future__ import annotations

from dataclasses import dataclass

from forecaster.domain.alarms import AlarmTransition
from forecaster.domain.records import Checkpoint
from forecaster.domain.site import Site


@dataclass(frozen=True, slots=True)
class PendingTransitions:
    """Transitions that wait to be committed, with the state that the site's alarms were left in."""

    site: Site
    transitions: list[AlarmTransition]
    at_ms: int
    checkpoint: Checkpoint


@dataclass(slots=True)
class WorkerCounts:
    """What this process has done since it started."""

    readings: int = 0
    forecasts: int = 0
    transitions: int = 0
    faults: int = 0
