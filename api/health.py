"""How an installation is: its stores, its forecasts' age, its undelivered alarms."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from api.wiring import Services
from forecaster.domain.errors import StoreError

UNDELIVERED_LIMIT_S = 600.0
FORECAST_LIMIT_S = 300.0


@dataclass(frozen=True, slots=True)
class Health:
    """What was found.

    oldest_undelivered_s : float | None — age of the oldest alarm message that nobody has been given yet [s]
    forecast_age_s : float | None — age of the newest forecast of any site [s]; None: there is none yet
    """

    says: tuple[str, ...]
    oldest_undelivered_s: float | None = None
    forecast_age_s: float | None = None

    @property
    def ok(self) -> bool:
        """Whether nothing is failing."""
        return not self.says

    def out(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "status": "ok" if self.ok else "failing",
            "says": list(self.says),
            "oldest_undelivered_s": self.oldest_undelivered_s,
            "forecast_age_s": self.forecast_age_s,
        }


def look_at_stores(services: Services) -> Health:
    """Whether both stores answer."""
    says = []
    for name, store in (("store", services.store), ("ledger", services.ledger)):
        health = store.health()
        if not health.ok:
            says.append(f"{name}: {health.says}")
    return Health(tuple(says))


def look(services: Services) -> Health:
    """The stores, the forecaster and the deliveries."""
    says = list(look_at_stores(services).says)
    now_ms = services.clock.now_ms()
    undelivered_s = forecast_age_s = None
    try:
        oldest_ms = services.ledger.oldest_undelivered_ms()
        newest = services.ledger.newest()
    except StoreError as error:
        says.append(f"ledger: {error}")
    else:
        if oldest_ms is not None:
            undelivered_s = max(0.0, (now_ms - oldest_ms) / 1000.0)
        if newest:
            forecast_age_s = max(0.0, (now_ms - max(f.issued_ms for f in newest.values())) / 1000.0)
    if undelivered_s is not None and undelivered_s > UNDELIVERED_LIMIT_S:
        says.append(f"an alarm message has waited {undelivered_s:.0f} s to be delivered")
    if forecast_age_s is not None and forecast_age_s > FORECAST_LIMIT_S:
        says.append(f"the newest forecast is {forecast_age_s:.0f} s old: is the forecaster running?")
    says += [f"{name}: {text}" for name, text in services.troubles()]
    return Health(tuple(says), undelivered_s, forecast_age_s)
