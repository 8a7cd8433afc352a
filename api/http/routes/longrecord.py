"""What studies of the long record made of a site, over HTTP: the health of its parts."""

from __future__ import annotations

from fastapi import APIRouter, Response

from api.http import answers
from api.http.dependencies import ServicesIn, SiteIn
from api.http.shapes import Shape, Time
from forecaster.domain.longrecord import HousePart, PartState
from forecaster.health.told import health_told

router = APIRouter(prefix="/api/v1", tags=["long record"])


class LongQuantilesOut(Shape):
    """10, 50 and 90 % points; null where not known."""

    p10: float | None
    p50: float | None
    p90: float | None


class QuantileTimesOut(Shape):
    """10, 50 and 90 % points of a time; null beyond fifty years."""

    p10: Time | None
    p50: Time | None
    p90: Time | None


class BaselineOut(Shape):
    """What a part was when it was new, or last worked on."""

    value: float | None
    unit: str
    since: Time | None


class NowOut(Shape):
    """What a part is now: the middle of its 10 to 90 % range."""

    value: float | None
    low: float | None
    high: float | None


class PartHealthOut(Shape):
    """A part: its state, its figures, since when, until when, and what to do. `change` is a share of the baseline.

    `pump`: whose part it is, where there are two.
    """

    part: HousePart
    pump: str | None = None
    state: PartState
    baseline: BaselineOut
    now: NowOut
    change: LongQuantilesOut
    since: Time | None
    predicted: QuantileTimesOut | None
    says: str
    do: str


class ReturnLevelOut(Shape):
    """The hour, or the six hours, that come once in so many years, as a share of what the pump lifts today.

    `minutes_to_floor`: from its start until the floor is wet although the pump runs; null where it keeps up, or where
    pit or pump are not known.
    """

    years: float
    of_pump: LongQuantilesOut
    minutes_to_floor: float | None


class StormOut(Shape):
    """The worst hours on record, and those to be expected, as shares of what the pump lifts today.

    `at_least`: the pump ran through the worst hour, so more may have come. `return_levels` are of the worst hour,
    `return_levels_six_hours` of the worst six; empty on a short record. `levels_from`: `record`, or `rain-table` where
    the site file has one and the pit's answer to rain is learnt; null where there are none.
    """

    as_of: Time
    worst_hour_of_pump: float | None
    worst_six_hours_of_pump: float | None
    at_least: bool
    record_days: int
    pump_rate_l_per_min: float | None
    return_levels: list[ReturnLevelOut]
    return_levels_six_hours: list[ReturnLevelOut]
    levels_from: str | None
    says: str
    do: str


class MonthOut(Shape):
    """What the middle of a month lets expect of a day's inflow, as a share of what the pump lifts today."""

    month: int
    of_pump: LongQuantilesOut


class SeasonOut(Shape):
    """What the season lets expect; `ten_mm` by what factor 10 mm of rain raise the same day's inflow, if told."""

    as_of: Time
    record_days: int
    months: list[MonthOut]
    ten_mm: LongQuantilesOut | None
    says: str


class HelpedOut(Shape):
    """Work done, and by what share it changed what it was about; null where that cannot be told."""

    at: Time
    part: HousePart | None
    pump: str | None = None
    did: str
    helped: LongQuantilesOut | None


class PartsHealthOut(Shape):
    """Every part of a site, by the newest study; `as_of` is null before the first, `failed` why the newest failed."""

    site: str
    as_of: Time | None
    parts: list[PartHealthOut]
    storm: StormOut | None
    season: SeasonOut | None
    work: list[HelpedOut]
    failed: str | None


@router.get("/sites/{site}/health", response_model=PartsHealthOut)
def health(site: SiteIn, services: ServicesIn) -> Response:
    """How the parts of a site fare over the months, by the newest daily study of its long record."""
    return answers.json_response(health_told(services.ledger, site.id))
