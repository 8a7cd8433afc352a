"""The inflow that a forecast expects, computed from its own path of the charge."""

from __future__ import annotations

from itertools import pairwise

from forecaster.domain.forecast import Forecast
from forecaster.domain.times import HOUR_MS

CHARGING_SHARE = 0.1
"""Charging below this share of the pump's draw is neglected."""


def water_ahead(forecast: Forecast | None, reserve_percent: float, end_ms: int) -> tuple[tuple[int, float], ...]:
    """Expected inflow ahead: (UTC ms, L/min), from now to where the middle of the charge meets the reserve floor.

    The slope of the median charge gives the total draw. Less the other loads and the pack's own draw, what remains is
    the pump's draw, which is proportional to the inflow; so the present inflow is scaled by it. Empty where the parts
    of the draw are not known, or where the pack is being charged, which would look like less water.
    """
    if forecast is None or forecast.draw is None or forecast.draw.charging_w > CHARGING_SHARE * forecast.draw.pump_w:
        return ()
    now_l, charge, usable_wh = forecast.water.inflow_l_per_min, forecast.charge_percent, forecast.usable_wh
    if now_l is None or charge is None or usable_wh is None or charge <= reserve_percent or usable_wh <= 0.0:
        return ()
    wh_per_percent = usable_wh / (charge - reserve_percent)
    others_w = forecast.draw.loads_w + forecast.draw.pack_w
    spots = [(point.at_ms, point.p50) for point in forecast.drain_path if point.p50 > reserve_percent]
    found: list[tuple[float, float]] = []
    for (start_ms, high), (stop_ms, low) in pairwise(spots):
        total_w = (high - low) * wh_per_percent / ((stop_ms - start_ms) / HOUR_MS)
        found.append(((start_ms + stop_ms) / 2.0, max(0.0, total_w - others_w)))
    if len(found) < 2 or found[0][1] <= 0.0:
        return ()
    scale = now_l / found[0][1]
    return tuple((round(at_ms), pump_w * scale) for at_ms, pump_w in found if at_ms <= end_ms)
