"""Two pumps, by their plates and as they are, and a house that is told its readings one by one."""

from __future__ import annotations

from dataclasses import dataclass, replace

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Pump
from forecaster.engine.core import Engine
from forecaster.twin.live import LARKSPUR, larkspur_site
from tests.forecaster.engine.outages_ahead import START_MS

MAIN = replace(larkspur_site().pump, rated_flow_l_per_min=150.0)
PLATE = Pump(rated_voltage_v=115.0, rated_power_w=400.0, rated_flow_l_per_min=100.0)
TRUE = replace(LARKSPUR.pump, running_w=390.0, rate_l_per_min=95.0, inrush_w=1100.0)
"""The second pump as it is."""


@dataclass
class ToldEngine:
    """An engine that is told readings, at times that pass as the test lets them."""

    engine: Engine
    now_s: int = 0

    @property
    def now_ms(self) -> int:
        """The time [UTC milliseconds]."""
        return START_MS + 1000 * self.now_s

    def tell(self, quantity: Quantity, value: float, of: str = "") -> None:
        """A reading of this moment. of : its pump or pack"""
        self.engine.update(Reading(self.engine.site.id, quantity, self.now_ms, value, self.now_ms, of))
