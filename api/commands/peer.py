"""An independent forecaster beside ours: progpy's simplified battery, moving-average load, Monte Carlo prediction.

progpy is NASA's open-source prognostics library. The battery is its SimplifiedBattery (Sierra et al. 2019) with the
pack's nameplate energy; its state is the reported charge with the uncertainty of a whole-percent reading; the load
ahead is the moving average of the last hour in windows, with their scatter; the event is the reserve floor.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from progpy.loading import GaussianNoiseLoadWrapper, MovingAverage
from progpy.models import SimplifiedBattery
from progpy.predictors import MonteCarlo
from progpy.uncertain_data import MultivariateNormalDist

from forecaster.domain.forecast import HORIZON_H, LEVELS
from forecaster.domain.readings import Reading
from forecaster.score.baselines import BaselineHistory, Gatherer, charge_now, mean_w, other_loads_w
from forecaster.score.cases import Case

PEER = "progpy"
WINDOWS = 12
WINDOW_S = 600.0
SAMPLES = 20
STEPS = 60
VOLTS = 51.2
EFFICIENCY, IDLE_W = 0.88, 10.0


def _to_reserve(battery: Any, state: Any) -> dict[str, float]:
    """The event state as progpy defines it: 1 at full charge, 0 at the reserve floor."""
    floor = battery["reserve"]
    return {"reserve": (float(state["SOC"]) - floor) / (1.0 - floor)}


def _reached(battery: Any, state: Any) -> dict[str, bool]:
    return {"reserve": bool(float(state["SOC"]) <= battery["reserve"])}


RESERVE_BATTERY = type(
    "ReserveBattery",
    (SimplifiedBattery,),
    {"events": ["reserve"], "event_state": _to_reserve, "threshold_met": _reached},
)
"""The library's battery with the reserve floor as its event."""


class Prognostic:
    """progpy, fed the readings of one case."""

    def __init__(self, case: Case) -> None:
        self._gatherer = Gatherer(case.site, case.transfer_ms)

    def take(self, readings: Sequence[Reading]) -> None:
        """Readings in order of arrival."""
        self._gatherer.take(readings)

    def quantiles_h(self, now_ms: int) -> tuple[float, ...] | None:
        """Hours until the reserve floor at LEVELS; None until some power has been measured."""
        seen = self._gatherer.seen(now_ms)
        loads_w = _battery_loads_w(seen)
        if loads_w is None:
            return None
        pack = seen.site.pack
        left = (charge_now(seen) - pack.reserve_percent) / 100.0
        if left <= 0.0:
            return (0.0,) * len(LEVELS)
        guess_s = 3600.0 * pack.nominal_wh * left / max(float(np.mean(loads_w)), 1.0)
        return _predicted_h(seen, loads_w, guess_s)


def _battery_loads_w(seen: BaselineHistory) -> list[float] | None:
    """Mean power from the battery in each of the last windows [W], newest last; windows before any reading left out."""
    pack = seen.site.pack
    efficiency = EFFICIENCY if pack.inverter_efficiency is None else pack.inverter_efficiency
    idle_w = IDLE_W if pack.idle_w is None else pack.idle_w
    found = []
    for back in range(WINDOWS - 1, -1, -1):
        then_ms = seen.now_ms - round(1000.0 * WINDOW_S * back)
        watts = mean_w(BaselineHistory(seen.site, seen.transfer_ms, then_ms, seen.series), WINDOW_S)
        if watts is not None:
            found.append((watts + other_loads_w(seen)) / efficiency + idle_w)
    return found or None


def _predicted_h(seen: BaselineHistory, loads_w: list[float], guess_s: float) -> tuple[float, ...]:
    np.random.seed(1)  # the library draws its samples from numpy's own generator
    pack = seen.site.pack
    battery = RESERVE_BATTERY(
        E_crit=3600.0 * pack.nominal_wh, v_L=VOLTS, R_int=0.01, reserve=pack.reserve_percent / 100.0, process_noise=0.0
    )
    load = MovingAverage(battery.InputContainer, window=len(loads_w))
    for watts in loads_w:
        load.add_load({"P": watts})
    noisy = GaussianNoiseLoadWrapper(load, float(np.std(loads_w)), seed=1)
    state = MultivariateNormalDist(
        ["SOC", "v"], np.array([charge_now(seen) / 100.0, VOLTS]), np.diag([(0.01 / 12.0**0.5) ** 2, 1e-6])
    )
    horizon_s = min(3600.0 * HORIZON_H, 3.0 * guess_s)
    predicted = MonteCarlo(battery).predict(
        state, noisy, n_samples=SAMPLES, dt=guess_s / STEPS, horizon=horizon_s, events=["reserve"]
    )
    ends = [horizon_s if end is None else float(end) for end in predicted.time_of_event.key("reserve")]
    return tuple((np.quantile(ends, LEVELS) / 3600.0).tolist())
