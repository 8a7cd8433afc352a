"""Shapes of the answers, for the OpenAPI document. A number not known is null; times are RFC 3339 in UTC."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field

from api.http.paging import CursorOut
from api.http.shapes import Number, Shape, Time, derived
from forecaster.domain.alarms import AlarmKind, AlarmState, Priority
from forecaster.domain.forecast import (
    ChargeAhead,
    Coverage,
    DrawParts,
    Forecast,
    PackNow,
    PumpNow,
    Quantiles,
    SurvivalPoint,
    Water,
)


@derived(Quantiles)
class QuantilesOut(Shape):
    """Quantiles of a time in hours; null beyond the horizon, or not known."""


class ReserveAt(Shape):
    """When the pack reaches the reserve floor."""

    p10: Time | None
    p50: Time | None
    p90: Time | None


@derived(SurvivalPoint)
class Probability(Shape):
    """Chance, 0..1, that the pack is above its reserve floor at a time; null beyond the horizon."""


@derived(Water)
class WaterOut(Shape):
    """Water into the pit and out of it."""


@derived(DrawParts)
class DrawOut(Shape):
    """Where the draw from the battery goes, W."""


@derived(Coverage)
class CoverageOut(Shape):
    """How often this site's 10-90 % ranges held what came, and how much they are widened for it."""


@derived(ChargeAhead)
class DrainPoint(Shape):
    """Expected charge ahead, %."""


@derived(PackNow)
class PackNowOut(Shape):
    """One of several packs: what it does, and what it adds."""


@derived(PumpNow)
class PumpNowOut(Shape):
    """One of two pumps in one pit, and what it does."""


@derived(Forecast)
class ForecastOut(Shape):
    """Hours remaining as a distribution, and all that it rests on."""

    reserve_at: ReserveAt
    degraded_codes: list[dict[str, str] | None] = Field([])
    until: Probability | None = None


class SiteSummary(Shape):
    """One line of the list of sites."""

    id: str
    name: str
    timezone: str
    units: Literal["metric", "us"]
    groups: list[str] = Field(description="What the site file names to narrow the list of all sites by.")
    open_alarms: int
    highest_priority: Literal["low", "medium", "high", "critical"] | None
    forecast: ForecastOut | None = Field(description="Without its survival and drain path; null until the first one.")


class ChangesOut(Shape):
    """How far the end moved between two forecasts, in hours, later positive, and what moved it."""

    site: str
    since: str
    until: str
    middle_h: float = Field(description="The middle end; inflow_h, charge_h and loads_h add up to it.")
    early_h: float = Field(description="The early end: middle_h and doubt_h.")
    inflow_h: float
    charge_h: float
    loads_h: float
    doubt_h: float


class SitesOut(Shape):
    """All sites that the asker may see, soonest out first."""

    sites: list[SiteSummary]
    count: int = Field(description="How many sites there are, on this page and beyond it.")
    cursor: str | None = Field(description="With `order=id`: asks for the next page; null: there is none.")


class ChannelOut(Shape):
    """One measured quantity: where it comes from, its latest value, and how old that is."""

    quantity: str
    subject: str
    topic: str
    unit: str
    value: Number
    time: Time | None
    age_s: Number


class SiteOut(Shape):
    """A site as its owner described it, its channels' latest values and its newest forecast."""

    id: str
    name: str
    timezone: str
    units: Literal["metric", "us"]
    pump: dict[str, float | str | list[float] | None]
    pit: dict[str, Number]
    pack: dict[str, float | str | None] = Field(description="Of several packs, all of them taken together.")
    loads: list[dict[str, float | str | None]]
    channels: list[ChannelOut]
    forecast: ForecastOut | None
    away: dict[str, str] | None = Field(None, description="The days, from and until, on which others look after it.")
    paused_until: str | None = Field(None, description="Before this day no alarm but high water is raised.")
    packs: list[dict[str, Any]] = Field([], description="Each of several packs: its id, and its plate as `pack`.")
    pack_arrangement: Literal["parallel", "in_turn", "one_a_pump"] | None = None
    pumps: list[dict[str, Any]] = Field(
        [], description="Both of two pumps in one pit, in the order in which they start: id, plate as `pump`, float."
    )


class ForecastsOut(Shape):
    """Past forecasts, oldest first."""

    site: str
    forecasts: list[ForecastOut]
    cursor: CursorOut


class CycleOut(Shape):
    """One run of the pump."""

    start: Time
    stop: Time
    run_s: float
    energy_wh: Number
    power_w: Number
    peak_w: Number
    supply: Literal["mains", "pack"]
    source: str
    samples: int
    measured: bool = Field(description="Whether the length is a measurement rather than a bound.")
    clipped: bool = Field(description="Power pinned at the pack's rating: the true power may be higher.")


class CyclesOut(Shape):
    """Runs, newest first; give the cursor back to go on."""

    site: str
    cycles: list[CycleOut]
    cursor: CursorOut


class PointOut(Shape):
    """One bucket of a series: its start, how many readings, their extremes and mean."""

    time: Time
    count: int
    low: Number
    high: Number
    mean: Number


class ReadingsOut(Shape):
    """A series, oldest first, down-sampled so that extremes stay."""

    site: str
    quantity: str
    subject: str
    unit: str
    points: list[PointOut]


class OutageOut(Shape):
    """A span on the pack."""

    id: str = Field(description="Opens its story: when it began, in milliseconds since 1970 UTC.")
    start: Time
    end: Time | None
    inferred: bool
    rehearsal: bool
    start_charge_percent: Number
    lowest_charge_percent: Number
    energy_used_wh: Number
    reached_reserve: Time | None
    forecast_h: list[float] | None = Field(description="p10, p50, p90 of the hours remaining, an hour in.")


class OutagesOut(Shape):
    """Outages, newest first."""

    site: str
    outages: list[OutageOut]
    cursor: CursorOut


class AlarmOut(Shape):
    """One episode of one cause at one site."""

    id: str
    site: str
    kind: AlarmKind
    priority: Priority
    state: AlarmState
    raised: Time
    changed: Time
    cleared: Time | None
    acknowledged: Time | None
    acknowledged_by: str | None
    shelved_until: Time | None
    shelved_by: str | None
    by: Time | None
    headline: str
    action: str
    consequence: str
    revision: int


class NoticeOut(Shape):
    """Who was told, over which channel, when, and with what outcome; who and reason are null to a read token."""

    who: str | None
    channel: Literal["mail", "push", "webhook"]
    at: Time
    outcome: Literal["waiting", "failing", "told", "failed", "needless"]
    reason: str | None
    revision: int


class AlarmToldOut(AlarmOut):
    """An alarm, and who was told of it."""

    told: list[NoticeOut]


class AllAlarmsOut(Shape):
    """Alarms of all sites in their newest revision, newest change first."""

    alarms: list[AlarmOut]
    cursor: CursorOut


class AlarmsOut(Shape):
    """Alarms in their newest revision, newest change first."""

    site: str
    alarms: list[AlarmOut]
    cursor: CursorOut


class ReadyLineOut(Shape):
    """One link of the chain: held, not held with what to do, or not fitted."""

    key: str
    state: Literal["held", "not-held", "not-fitted"]
    must: bool
    says: str
    do: str


class ReadyOut(Shape):
    """Before you leave: ready where every must is held."""

    site: str
    at: Time
    ready: bool
    lines: list[ReadyLineOut]


class ShelveIn(BaseModel):
    """How long to keep an alarm quiet."""

    minutes: Annotated[int, Field(ge=1, le=60 * 24 * 30)] = 60


class AcceptedOut(Shape):
    """The forecaster was asked; the change follows on the stream within seconds."""

    request: int


class HealthOut(Shape):
    """How the program is: "ok", "degraded" or "failing", and why where the asker may see that."""

    status: Literal["ok", "degraded", "failing"]
    says: list[str]
    oldest_undelivered_s: Number
    forecast_age_s: Number
