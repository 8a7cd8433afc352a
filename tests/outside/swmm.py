"""EPA SWMM as an independent catchment and pit: hourly rain in, pump runs out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pyswmm import Links, Simulation

PUMP_L_PER_S = 2.5
PIT_AREA_M2 = 0.166
START_DEPTH_M, STOP_DEPTH_M = 0.35, 0.17

TEMPLATE = """
[OPTIONS]
FLOW_UNITS LPS
INFILTRATION HORTON
FLOW_ROUTING DYNWAVE
LINK_OFFSETS DEPTH
START_DATE {start:%m/%d/%Y}
START_TIME {start:%H:%M:%S}
REPORT_START_DATE {start:%m/%d/%Y}
REPORT_START_TIME {start:%H:%M:%S}
END_DATE {end:%m/%d/%Y}
END_TIME {end:%H:%M:%S}
WET_STEP 00:05:00
DRY_STEP 00:30:00
REPORT_STEP 01:00:00
ROUTING_STEP 0.25
VARIABLE_STEP 0
MIN_SURFAREA 0.01
THREADS 1

[RAINGAGES]
GAGE INTENSITY 1:00 1.0 TIMESERIES RAIN

[SUBCATCHMENTS]
YARD GAGE PIT 0.012 15 10 1.0 0

[SUBAREAS]
YARD 0.015 0.2 1.5 4.0 25 OUTLET

[INFILTRATION]
YARD 40 6 4 7 0

[STORAGE]
PIT 0 2.0 0.2 FUNCTIONAL 0 0 {area} 0 0

[OUTFALLS]
STREET 0 FREE NO

[PUMPS]
PUMP PIT STREET LIFT OFF {on} {off}

[CURVES]
LIFT PUMP4 0 {rate}
LIFT 2 {rate}

[DWF]
PIT FLOW 0.05

[HYDROGRAPHS]
SOIL GAGE
SOIL ALL SHORT 0.006 2 2 0 0 0
SOIL ALL MEDIUM 0.012 8 3 0 0 0
SOIL ALL LONG 0.016 30 4 0 0 0

[RDII]
PIT SOIL 1.0

[TIMESERIES]
{rain}

[REPORT]
INPUT NO
"""


@dataclass(frozen=True)
class PumpRecord:
    """Runs of SWMM's pump [s since start]: (R,) each."""

    start_s: NDArray[np.float64]
    stop_s: NDArray[np.float64]


def simulate(folder: Path, start: datetime, rain_mm: Sequence[float]) -> PumpRecord:
    """Drive catchment and pit with hourly depths of rain from `start`; the pump's own record, to the second."""
    end = start + timedelta(hours=len(rain_mm))
    lines = [f"RAIN {start + timedelta(hours=h):%m/%d/%Y %H:%M} {mm:.3f}" for h, mm in enumerate(rain_mm)]
    text = TEMPLATE.format(
        start=start, end=end, area=PIT_AREA_M2, on=START_DEPTH_M, off=STOP_DEPTH_M, rate=PUMP_L_PER_S,
        rain="\n".join(lines),
    )  # fmt: skip
    model = folder / "pit.inp"
    model.write_text(text, encoding="utf-8")
    starts: list[float] = []
    stops: list[float] = []
    with Simulation(str(model)) as run:
        pump = Links(run)["PUMP"]
        run.step_advance(1)
        on = False
        for _ in run:
            now = pump.flow > 0.01
            if now != on:
                since = (run.current_time.replace(tzinfo=UTC) - start).total_seconds()
                (starts if now else stops).append(since)
                on = now
    count = len(stops)
    return PumpRecord(np.array(starts[:count]), np.array(stops))
