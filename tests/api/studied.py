"""When the long record of Larkspur Lane is studied: two days after the scenario."""

from __future__ import annotations

from forecaster.domain.times import DAY_MS
from tests.scenario import NOW_MS

LATER_MS = NOW_MS + 2 * DAY_MS
