"""How an installation is: whether its loops turn, whether it can store and forecast, and what else is wrong.

Supervisors need the difference: a process that is not live is restarted, one that is not ready waits for something,
and what is only degraded (an unreachable broker or receiver) concerns people.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from api.process.services import Services
from api.process.watchdog import HANGING_LOOKS
from forecaster.domain.errors import StoreError
from forecaster.texts.catalogue import words

UNDELIVERED_LIMIT_S = 600.0
FORECAST_LIMIT_S = 300.0


@dataclass(frozen=True, slots=True)
class InstallationHealth:
    """The findings, as lines for people.

    unlive : loops that hang; unready : why it cannot store or forecast; degraded : what else is wrong
    oldest_undelivered_s : float | None — age of the oldest alarm message that nobody has been given yet [s]
    forecast_age_s : float | None — age of the newest forecast of any site [s]; None: there is none yet
    """

    unlive: tuple[str, ...] = ()
    unready: tuple[str, ...] = ()
    degraded: tuple[str, ...] = ()
    oldest_undelivered_s: float | None = None
    forecast_age_s: float | None = None

    @property
    def working(self) -> bool:
        """Whether it does its work: live, and able to store and forecast."""
        return not self.unlive and not self.unready

    @property
    def status(self) -> Literal["ok", "degraded", "failing"]:
        """ "ok", "degraded" or "failing"."""
        if not self.working:
            return "failing"
        return "degraded" if self.degraded else "ok"

    def out(self, *, details: bool = True) -> dict[str, Any]:
        """As JSON; without details for those who may not see hosts and errors."""
        says = [*self.unlive, *self.unready, *self.degraded]
        return {
            "status": self.status,
            "says": says if details else [],
            "oldest_undelivered_s": self.oldest_undelivered_s if details else None,
            "forecast_age_s": self.forecast_age_s if details else None,
        }


def look_at_loops(services: Services) -> InstallationHealth:
    """Whether the workers' loops turn."""
    return InstallationHealth(
        tuple(words()("fault.hangs", name=name) for name in services.loops.standing(HANGING_LOOKS))
    )


def look_at_work(services: Services, *, values: bool = True) -> InstallationHealth:
    """Whether it can store and forecast. values : whether values of site files may be named."""
    says, _ = _work(services, values=values)
    return InstallationHealth(look_at_loops(services).unlive, tuple(says))


def look(services: Services, *, values: bool = True) -> InstallationHealth:
    """Examine the loops, the stores, the forecaster and the deliveries, and collect the troubles of the workers.

    values : whether values of site files may be named
    """
    unready, degraded = _work(services, values=values)
    now_ms = services.clock.now_ms()
    undelivered_s = forecast_age_s = None
    try:
        oldest_ms = services.ledger.oldest_undelivered_ms()
        issued = services.ledger.issued()
    except StoreError as error:
        unready.append(words()("fault.ledger", error=str(error)))
    else:
        if oldest_ms is not None:
            undelivered_s = max(0.0, (now_ms - oldest_ms) / 1000.0)
        if issued:
            forecast_age_s = max(0.0, (now_ms - max(issued.values())) / 1000.0)
    if undelivered_s is not None and undelivered_s > UNDELIVERED_LIMIT_S:
        degraded.append(words()("fault.an_alarm_message_has_waited_s", undelivered_s=undelivered_s))
    unlive = look_at_loops(services).unlive
    return InstallationHealth(unlive, tuple(unready), tuple(degraded), undelivered_s, forecast_age_s)


def _work(services: Services, *, values: bool) -> tuple[list[str], list[str]]:
    """Why it cannot store or forecast, and the other troubles of the workers."""
    unready, degraded, remarks = list[str](), list[str](), set[str]()
    for name, store in (("store", services.store), ("ledger", services.ledger)):
        health = store.health()
        remarks.add(health.says)
        if not health.ok:
            unready.append(f"{name}: {health.says}")
    for name, text in services.troubles(values=values):
        hinders = name == "forecaster" or (name == "store" and text not in remarks)
        (unready if hinders else degraded).append(f"{name}: {text}")
    try:
        issued = services.ledger.issued()
    except StoreError:
        return unready, degraded  # told already
    old, some = _stale(services.installation.sites, issued, services.clock.now_ms())
    return [*unready, *old], [*degraded, *some]


def _stale(sites: Collection[str], issued: Mapping[str, int], now_ms: int) -> tuple[list[str], list[str]]:
    """A line where all forecasts are old, or some, as when one of several shares has stopped."""
    ages_s = [(now_ms - issued[site]) / 1000.0 for site in sites if site in issued]
    old = [age_s for age_s in ages_s if age_s > FORECAST_LIMIT_S]
    if not old:
        return [], []
    if len(old) == len(ages_s):
        return [words()("fault.the_newest_forecast_is_s_old", min=min(old))], []
    return [], [words()("fault.the_forecasts_of_of_sites_are", count=len(old), count_2=len(ages_s), max=max(old))]
