"""What only a live test shows: whether the pump started, at what power, and whether the output slept between runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecaster.discharge.evidence import DischargeEvidence
from forecaster.domain.runs import Run
from forecaster.texts.catalogue import Figure, Said

STALLED = 3.0
"""A first run this many times longer than on mains, at twice the power, is a stalled pump."""

ASLEEP_W = 1.0
"""An output below this while a listed load should draw power is off [W]."""

LONG_PAUSE_S = 600.0
"""A run after a pause this long shows that the output stayed on [s]."""

CLOSE_TO_RATING = 0.03


@dataclass(frozen=True, slots=True)
class FirstRun:
    """The first run on the pack. started : bool | None — None: not known."""

    started: bool | None
    run_s: float | None
    watts: float | None
    pinned: bool
    says: str


def first_run(evidence: DischargeEvidence) -> FirstRun:
    """Whether the pump started on the pack, for how long, at how many watts, and whether pinned at the rating."""
    rating = evidence.site.pack.continuous_w
    pinned = any(run.clipped or _at_rating(run, rating) for run in evidence.runs)
    usual_s, usual_w, usual_wait_s = _usual(evidence.before)
    if not evidence.runs:
        waited = evidence.hours * 3600.0
        if usual_wait_s is not None and waited > 4.0 * usual_wait_s:
            said = Said(
                "rehearsal.no_run_due", waited=Figure(f"{waited / 60:.0f}"), usual=Figure(f"{usual_wait_s / 60:.0f}")
            )
            return FirstRun(False, None, None, pinned, said)
        return FirstRun(None, None, None, pinned, Said("rehearsal.no_run"))
    first = next((run for run in evidence.runs if run.measured), evidence.runs[0])
    hums = usual_s is not None and first.run_s > STALLED * usual_s
    if hums and usual_w is not None and first.power_w is not None and first.power_w > 2.0 * usual_w:
        return FirstRun(
            False, first.run_s, first.power_w, pinned, Said("rehearsal.stalled", watts=Figure(f"{first.power_w:.0f}"))
        )
    lasted = Figure(f"{first.run_s:.0f}")
    if first.power_w is None:
        said = Said("rehearsal.first_run", run_s=lasted)
    else:
        said = Said("rehearsal.first_run_at", run_s=lasted, watts=Figure(f"{first.power_w:.0f}"))
    return FirstRun(True, first.run_s, first.power_w, pinned, said)


def _at_rating(run: Run, rating_w: float | None) -> bool:
    return rating_w is not None and run.power_w is not None and abs(run.power_w - rating_w) < CLOSE_TO_RATING * rating_w


def _usual(before: tuple[Run, ...]) -> tuple[float | None, float | None, float | None]:
    """Median run length [s], power [W] and wait [s] on mains."""
    if len(before) < 3:
        return None, None, None
    watts = [run.power_w for run in before if run.power_w is not None]
    waits = np.diff([run.start_ms for run in before]) / 1000.0
    lengths = [run.run_s for run in before]
    return float(np.median(lengths)), float(np.median(watts)) if watts else None, float(np.median(waits))


def sleeps_on_low_load(evidence: DischargeEvidence) -> tuple[bool | None, str | None]:
    """Whether the output fell asleep between runs, and the finding in words; None where that is not known."""
    listed_w = sum(load.watts for load in evidence.site.loads if load.runs_per_hour is None)
    between = evidence.between_w
    if between.size >= 10 and listed_w >= 3.0:
        off = float(np.mean(between < ASLEEP_W))
        if off > 0.2:
            return True, Said("rehearsal.off_between", share=Figure(f"{off:.0%}"))
        return False, Said("rehearsal.stayed_on")
    waits = np.diff([run.start_ms for run in evidence.runs]) / 1000.0
    if waits.size and float(waits.max()) >= LONG_PAUSE_S:
        return False, Said("rehearsal.after_pauses", minutes=Figure(f"{waits.max() / 60:.0f}"))
    return None, None
