"""Which site needs somebody first: judged from its newest forecast and its open alarms."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from forecaster.alarms.present import gravest_first
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, Priority
from forecaster.domain.forecast import Basis, Forecast
from forecaster.domain.runs import Supply
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS

SHOWS = ("all", "need", "pack", "alarm", "stale", "untold")
"""Filters of the list of all sites."""


class Urgency(StrEnum):
    """How a site stands, the most urgent first."""

    NEED = "need"  # an alarm stands that nobody has acknowledged
    HAND = "hand"  # on the pack, or an alarm that somebody has taken
    SILENT = "silent"  # nothing fresh is known
    WELL = "well"


@dataclass(frozen=True, slots=True)
class Triaged:
    """One site with all that its place in the list rests on.

    alarms : its open alarms, the one to act on first before the others
    told : whether anybody can be told of it
    """

    site: Site
    forecast: Forecast | None
    alarms: tuple[Alarm, ...]
    urgency: Urgency
    told: bool

    @property
    def gravest(self) -> Alarm | None:
        """The alarm to act on; None where none stands."""
        return self.alarms[0] if self.alarms and self.alarms[0].cleared_ms is None else None

    @property
    def on_pack(self) -> bool:
        """Whether the pack carries the pump now."""
        return self.forecast is not None and self.forecast.supply is Supply.PACK

    def passes(self, show: str, group: str) -> bool:
        """Whether it passes a filter and is of a group."""
        if group and group not in self.site.groups:
            return False
        wanted = {
            "need": self.urgency is Urgency.NEED,
            "pack": self.on_pack,
            "alarm": bool(self.alarms),
            "stale": self.forecast is None or self.urgency is Urgency.SILENT,
            "untold": not self.told,
        }
        return wanted.get(show, True)

    def order(self, now_ms: int) -> tuple[int, bool, int, float, str]:
        """Where it stands in the list: never heard last, else by urgency, by priority, and soonest out."""
        place = len(Urgency) if self.forecast is None and self.gravest is None else list(Urgency).index(self.urgency)
        rank = self.gravest.priority.rank if self.gravest is not None and self.urgency is Urgency.NEED else 0
        return (place, not self.on_pack, -rank, self.ends_in_h(now_ms), self.site.name.casefold())

    def ends_in_h(self, now_ms: int) -> float:
        """Hours until the middle of the range; infinite where there is none."""
        if self.forecast is None or self.forecast.hours_remaining.p50 is None:
            return math.inf
        return self.forecast.hours_remaining.p50 - (now_ms - self.forecast.issued_at_ms) / HOUR_MS


def triaged(site: Site, forecast: Forecast | None, alarms: Sequence[Alarm], told: bool) -> Triaged:
    """A site judged."""
    return Triaged(site, forecast, tuple(gravest_first(alarms)), urgency_of(forecast, alarms), told)


def urgency_of(forecast: Forecast | None, alarms: Sequence[Alarm]) -> Urgency:
    """How a site stands."""
    standing = [alarm for alarm in alarms if alarm.cleared_ms is None and alarm.priority.rank >= Priority.MEDIUM.rank]
    if any(alarm.state is AlarmState.UNACKNOWLEDGED and not is_plain_silence(alarm) for alarm in standing):
        return Urgency.NEED
    if forecast is None or forecast.basis is Basis.PROJECTED or any(is_plain_silence(alarm) for alarm in standing):
        return Urgency.SILENT
    return Urgency.HAND if forecast.supply is Supply.PACK or standing else Urgency.WELL


def is_plain_silence(alarm: Alarm) -> bool:
    """Whether an alarm says no more than that a house on mains is not heard."""
    return alarm.kind is AlarmKind.TELEMETRY_SILENT and alarm.priority is Priority.MEDIUM
