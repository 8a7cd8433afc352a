"""The answer before a trip, as the interface tells it and in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from forecaster.domain.errors import UsageError
from forecaster.domain.longrecord import PartState
from forecaster.domain.ports import Ledger
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS
from forecaster.engine.document import time_text
from forecaster.record.levels import LevelDraws
from forecaster.texts.catalogue import Figure, Said
from forecaster.trip import priors
from forecaster.trip.chance import WetFloor, wet_floor
from forecaster.trip.gathering import Gathered, gather
from forecaster.trip.helping import TripHelp, helps
from forecaster.trip.house import TripHouse, TripSpan

LONGEST_DAYS, AHEAD_DAYS = 183, 400
"""The longest trip, and how far ahead it may end [days]."""

SILENT_H = 1.0
"""A house that was not heard for longer is said to be silent [h]."""

YEAR_OF_RECORD = 365


@dataclass(frozen=True, slots=True)
class TripAnswer:
    """The answer before a trip. Its texts can be said again in any language.

    leave_ms, back_ms : int — as asked [UTC ms]; helps : what could be done, the best first
    says : str — the chance in words; rests_on, cautions : one text a line
    """

    site: str
    leave_ms: int
    back_ms: int
    floor: WetFloor
    helps: tuple[TripHelp, ...]
    says: str
    rests_on: tuple[str, ...]
    cautions: tuple[str, ...]

    def document(self) -> dict[str, Any]:
        """The answer as the interface gives it, ready for JSON, its texts in English."""
        return {
            "site": self.site, "leave": time_text(self.leave_ms), "back": time_text(self.back_ms),
            "chance_wet_floor": chance_out(self.floor), "says": str(self.says),
            "causes": [{"cause": cause, "share": share} for cause, share in shares_out(self.floor)],
            "helps": [
                {"what": str(help_text(one.what)), "kind": one.what, "chance_wet_floor": chance_out(one.after)}
                for one in self.helps
            ],
            "rests_on": [str(line) for line in self.rests_on], "cautions": [str(line) for line in self.cautions],
        }  # fmt: skip


def answer_trip(
    site: Site, ledger: Ledger, now_ms: int, leave_ms: int, back_ms: int, away: Sequence[str] | None = None
) -> TripAnswer:
    """Work out the chance of a wet floor between leaving and being back; of a trip under way, only what is left of it.

    now_ms, leave_ms, back_ms : int — when it is asked, and the bounds of the trip [UTC ms]
    away : names of the contacts who are on the trip; None: the first one of the site file
    Errors: UsageError for times that make no trip and for names that are no contact's; StoreError.
    """
    _check(now_ms, leave_ms, back_ms)
    gathered = gather(site, ledger, now_ms, away)
    span = TripSpan(now_ms / DAY_MS, max(leave_ms, now_ms) / DAY_MS, back_ms / DAY_MS)
    floor = wet_floor(gathered.house, span)
    return TripAnswer(
        site.id, leave_ms, back_ms, floor, helps(gathered.house, span), _says(floor, gathered),
        _rests_on(gathered, away), _cautions(gathered),
    )  # fmt: skip


def _check(now_ms: int, leave_ms: int, back_ms: int) -> None:
    if back_ms <= leave_ms:
        raise UsageError(Said("usage.back_before_leaving"), Said("usage.give_a_later_back"))
    if back_ms <= now_ms:
        raise UsageError(Said("usage.trip_is_over"), Said("usage.give_a_later_back"))
    if back_ms - leave_ms > LONGEST_DAYS * DAY_MS or back_ms - now_ms > AHEAD_DAYS * DAY_MS:
        raise UsageError(
            Said("usage.trip_too_long", longest=LONGEST_DAYS, ahead=AHEAD_DAYS), Said("usage.give_a_shorter_trip")
        )


def chance_out(floor: WetFloor) -> dict[str, float]:
    """10, 50 and 90 % points of the chance and its mean, 0..1, rounded to three digits: p10, p50, p90, mean."""
    low, middle, high = floor.quantiles()
    return {"p10": _rounded(low), "p50": _rounded(middle), "p90": _rounded(high), "mean": _rounded(floor.mean)}


def shares_out(floor: WetFloor) -> list[tuple[str, float]]:
    """Causes with their shares, 0..1, the greatest first; rounded to three decimals so that they still add up to 1."""
    shares = sorted(floor.shares().items(), key=lambda one: -one[1])
    written = [(cause, round(share, 3)) for cause, share in shares]
    rest = 1.0 - sum(share for _, share in written[1:])
    return [(written[0][0], round(rest, 3)), *written[1:]]


def percent_text(chance: float) -> str:
    """A chance, 0..1, as a percentage for people: one decimal below 10 %, and "less than 0.1 %"."""
    if chance < 0.001:
        return Said("trip.less-than", percent=Figure("0.1%"))
    return Figure(f"{chance:.1%}" if chance < 0.0995 else f"{chance:.0%}")


def help_text(what: str) -> Said:
    """A change in words; what : key of `helping.CHANGES`."""
    return Said(f"trip.help.{what}")


def cause_text(cause: str) -> Said:
    """A cause in words; cause : one of `chance.CAUSES`."""
    return Said(f"trip.cause.{cause}")


def _says(floor: WetFloor, gathered: Gathered) -> str:
    low, middle, high = floor.quantiles()
    says: str = Said("trip.says", middle=percent_text(middle), low=percent_text(low), high=percent_text(high))
    if gathered.record_days < YEAR_OF_RECORD:
        says = Said("health.and", first=Said("trip.young", n=gathered.record_days), then=says)
    if gathered.silent_h > SILENT_H:
        says = Said("health.and", first=Said("trip.silent", hours=gathered.silent_h), then=says)
    return says


def whole_days_ms(site: Site, first: date, last: date) -> tuple[int, int]:
    """From the morning of one day to the end of another, in the site's own zone [UTC ms]."""
    zone = ZoneInfo(site.timezone)
    ends = (datetime.combine(day, time(), zone) for day in (first, last + timedelta(days=1)))
    leave_ms, back_ms = (round(one.timestamp() * 1000) for one in ends)
    return leave_ms, back_ms


def _rests_on(gathered: Gathered, away: Sequence[str] | None) -> tuple[str, ...]:
    house = gathered.house
    record, pack = house.outages, house.pack
    found: list[str] = []
    if gathered.record_days < YEAR_OF_RECORD:
        found.append(Said("trip.rests.young", n=gathered.record_days))
    found.append(Said(
        "trip.rests.outages", n=len(record.hours), years=round(record.years, 1), usual=priors.OUTAGES_A_YEAR,
    ))  # fmt: skip
    found.append(Said("trip.rests.season" if house.season is not None else "trip.rests.no-season"))
    found.append(Said(_storms_key(house)))
    worn = [Said(f"part.{part.part}") for part in gathered.parts if part.state in (PartState.WATCH, PartState.ACT)]
    found += [Said("trip.rests.worn", part=part) for part in worn]
    found.append(Said("trip.rests.pump" if gathered.studied else "trip.rests.pump-unstudied"))
    found.append(Said("trip.rests.pack" if gathered.live else "trip.rests.pack-file", percent=pack.charge_percent))
    if pack.proven_days is None:
        found.append(Said("trip.rests.unproven"))
    elif house.present is None:
        found.append(Said("trip.rests.proven", n=max(1, math.ceil(pack.proven_days))))
    if house.freeboard_min is None:
        found.append(Said("trip.rests.no-freeboard"))
    if house.present is not None:
        found.append(Said("trip.rests.on-pack"))
    if away is None:
        found.append(Said("trip.rests.away"))
    reach = house.reach_h
    found.append(Said("trip.rests.people", n=len(reach), hours=min(reach)) if reach else Said("trip.rests.nobody"))
    return (*found, Said("trip.rests.guesses"))


def _storms_key(house: TripHouse) -> str:
    if isinstance(house.storms, LevelDraws):
        return "trip.rests.storms-table"
    return "trip.rests.no-storms" if house.storms is None else "trip.rests.storms"


def _cautions(gathered: Gathered) -> tuple[str, ...]:
    standing = [Said("trip.caution.standing", headline=headline) for headline in gathered.graver]
    usual = ("water", "generator", "electrician", "not_life_safety")
    return (*standing, *(Said(f"size.caution.{name}") for name in usual))


def _rounded(chance: float) -> float:
    return float(f"{chance:.3g}")
