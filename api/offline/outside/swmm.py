"""EPA SWMM as an independent catchment, ground water, pit and pump: hourly rain in, pump runs out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pyswmm import Links, Simulation


@dataclass(frozen=True)
class DrainedYard:
    """What is drained: the yard, the ground and the pit.

    pump_l_per_s, base_l_per_s : float — the pump's rate; inflow without rain [L/s]
    pit_area_m2, start_depth_m, stop_depth_m : float — of the pit, and the switch's levels
    yard_ha : float — sealed and open ground that drains overland [ha]
    slowness : float — factor on the times of the three unit hydrographs of rain-derived inflow
    """

    pump_l_per_s: float = 2.5
    base_l_per_s: float = 0.05
    pit_area_m2: float = 0.166
    start_depth_m: float = 0.35
    stop_depth_m: float = 0.17
    yard_ha: float = 0.012
    slowness: float = 1.0

    @property
    def drawdown_m(self) -> float:
        """Fall of the water between the switch's levels [m]."""
        return self.start_depth_m - self.stop_depth_m


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
YARD GAGE PIT {yard:.4f} 15 10 1.0 0

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
PIT FLOW {base:.4f}

[HYDROGRAPHS]
SOIL GAGE
SOIL ALL SHORT 0.006 {short:.3f} 2 0 0 0
SOIL ALL MEDIUM 0.012 {medium:.3f} 3 0 0 0
SOIL ALL LONG 0.016 {long:.3f} 4 0 0 0

[RDII]
PIT SOIL 1.0

[TIMESERIES]
{rain}

[REPORT]
INPUT NO
"""


YARD = DrainedYard()


@dataclass(frozen=True)
class PumpRecord:
    """Runs of SWMM's pump [s since start]: (R,) each."""

    start_s: NDArray[np.float64]
    stop_s: NDArray[np.float64]


def simulate(folder: Path, start: datetime, rain_mm: Sequence[float], yard: DrainedYard = YARD) -> PumpRecord:
    """Drive catchment and pit with hourly depths of rain from `start`; the pump's own record, to the second."""
    end = start + timedelta(hours=len(rain_mm))
    lines = [f"RAIN {start + timedelta(hours=h):%m/%d/%Y %H:%M} {mm:.3f}" for h, mm in enumerate(rain_mm)]
    text = TEMPLATE.format(
        start=start, end=end, area=yard.pit_area_m2, on=yard.start_depth_m, off=yard.stop_depth_m,
        rate=yard.pump_l_per_s, base=yard.base_l_per_s, yard=yard.yard_ha, short=2.0 * yard.slowness,
        medium=8.0 * yard.slowness, long=30.0 * yard.slowness, rain="\n".join(lines),
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
