"""How an installation is: its stores, its forecasts' age, its undelivered alarms."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from api.process.services import Services
from forecaster.domain.errors import StoreError

UNDELIVERED_LIMIT_S = 600.0
FORECAST_LIMIT_S = 300.0


@dataclass(frozen=True, slots=True)
class InstallationHealth:
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


def look_at_stores(services: Services) -> InstallationHealth:
    """Whether both stores answer."""
    says = []
    for name, store in (("store", services.store), ("ledger", services.ledger)):
        health = store.health()
        if not health.ok:
            says.append(f"{name}: {health.says}")
    return InstallationHealth(tuple(says))


def look(services: Services) -> InstallationHealth:
    """The stores, the forecaster and the deliveries."""
    says = list(look_at_stores(services).says)
    now_ms = services.clock.now_ms()
    undelivered_s = forecast_age_s = None
    try:
        oldest_ms = services.ledger.oldest_undelivered_ms()
        issued = services.ledger.issued()
    except StoreError as error:
        says.append(f"ledger: {error}")
    else:
        if oldest_ms is not None:
            undelivered_s = max(0.0, (now_ms - oldest_ms) / 1000.0)
        if issued:
            forecast_age_s = max(0.0, (now_ms - max(issued.values())) / 1000.0)
            says += _stale(services.installation.sites, issued, now_ms)
    if undelivered_s is not None and undelivered_s > UNDELIVERED_LIMIT_S:
        says.append(f"an alarm message has waited {undelivered_s:.0f} s to be delivered")
    says += [f"{name}: {text}" for name, text in services.troubles()]
    return InstallationHealth(tuple(says), undelivered_s, forecast_age_s)


def _stale(sites: Collection[str], issued: Mapping[str, int], now_ms: int) -> list[str]:
    """Which forecasts are old, in words: all of them, or some, as where one of several shares stopped."""
    ages_s = [(now_ms - issued[site]) / 1000.0 for site in sites if site in issued]
    old = [age_s for age_s in ages_s if age_s > FORECAST_LIMIT_S]
    if not old:
        return []
    if len(old) == len(ages_s):
        return [f"the newest forecast is {min(old):.0f} s old: is the forecaster running?"]
    return [
        f"the forecasts of {len(old)} of {len(ages_s)} sites are up to {max(old):.0f} s old:"
        " does every share of the forecaster run?"
    ]
