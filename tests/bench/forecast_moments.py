"""Forecasts at fixed moments of simulated outages, with what each cost: run as a program in a tree, old or new.

`python forecast_moments.py`, the tree on PYTHONPATH. It folds the outages, says "ready", and answers every line on its
standard input with one line of JSON: for each moment the quantiles of hours remaining [h] and the processor time of
the forecasts from there on, each after half a minute of new readings [ms].
"""

from __future__ import annotations

import json
import sys
import time
from bisect import bisect_right

from forecaster.domain.readings import Reading
from forecaster.engine import Engine
from forecaster.twin.episode import Episode, episode
from forecaster.twin.styles import FULL, LEAN, Style

FIRST_SEED = 700
PERCENTS = (85.0, 50.0)
STEP_MS = 30_000
STEPS = 12


class Moment:
    """One moment of an outage: an engine that has heard all until then, and what it hears after."""

    def __init__(self, name: str, drawn: Episode, at_ms: int) -> None:
        self.name, self.site, self.at_ms = name, drawn.site, at_ms
        arrived = [reading.arrived_ms for reading in drawn.readings]
        split, end = bisect_right(arrived, at_ms), bisect_right(arrived, at_ms + STEPS * STEP_MS)
        self.after: list[Reading] = list(drawn.readings[split:end])
        engine = Engine(drawn.site)
        for reading in drawn.readings[:split]:
            engine.update(reading)
        self.state = engine.snapshot()

    def measured(self) -> dict[str, object]:
        """Every forecast of one walk over the moment: its quantiles [h], and the processor time of each [ms]."""
        engine = Engine.restore(self.site, self.state)
        engine.forecast(self.at_ms)
        hours, cost_ms, place = [], [], 0
        for step in range(1, STEPS + 1):
            now_ms = self.at_ms + step * STEP_MS
            while place < len(self.after) and self.after[place].arrived_ms <= now_ms:
                engine.update(self.after[place])
                place += 1
            began = time.process_time()
            forecast = engine.forecast(now_ms)
            cost_ms.append((time.process_time() - began) * 1e3)
            hours.append(forecast.hours_remaining.values())
        return {"name": self.name, "hours": hours, "ms": cost_ms}


def moments() -> list[Moment]:
    """Two moments of one outage of every style."""
    found = []
    for number, style in enumerate((*FULL, *LEAN, Style.SUN)):
        drawn = episode(FIRST_SEED + number, (style,))
        for percent in PERCENTS:
            at_ms = drawn.at_charge_ms(percent)
            if at_ms is not None:
                found.append(Moment(f"{style.value} at {percent:.0f} %", drawn, at_ms))
    return found


def main() -> None:
    """Answer every line with one round of measurements."""
    known = moments()
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    for _ in sys.stdin:
        sys.stdout.write(json.dumps([moment.measured() for moment in known]) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
