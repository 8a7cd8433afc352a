"""What the chance of a wet floor rests on: a house's outages, pack, water, pump, float and people, as figures."""

from __future__ import annotations

from dataclasses import dataclass

from forecaster.record.peaks import PeakDraws
from forecaster.water.seasonal import SeasonBelief


@dataclass(frozen=True, slots=True)
class OutageRecord:
    """The site's own outages.

    years : of record; hours : how long each lasted [h]; in_storms : how many of them came in wet weather
    """

    years: float = 0.0
    hours: tuple[float, ...] = ()
    in_storms: int = 0


@dataclass(frozen=True, slots=True)
class PackState:
    """The pack.

    wh_per_percent : float — energy of one per cent of charge [Wh]; spread : of its logarithm
    charge_percent : float — at which it usually stands on mains, 0..100
    base_w, pump_w : float — drawn from the battery by all but the pump, and while the pump runs [W]
    proven_days : float | None — since it last carried the pump [days]; None: never
    carried, failed : int — transfers on record
    """

    wh_per_percent: float
    charge_percent: float
    base_w: float
    pump_w: float
    spread: float = 0.15
    proven_days: float | None = None
    carried: int = 0
    failed: int = 0


@dataclass(frozen=True, slots=True)
class PresentOutage:
    """An outage that lasts. age_h : since when [h]; charge_percent, duty : now"""

    age_h: float
    charge_percent: float
    duty: float


@dataclass(frozen=True, slots=True)
class TripHouse:
    """Everything that the model asks of a house.

    freeboard_min : float | None — how long the pump at full rate would take to fill the freeboard [min]
    season : the inflow by day of year; storms : hours that bring more than usual, both as shares of the pump
    pump_wear, float_wear : float — by what factor they fail more often than usual; pumps : how many work beside another
    new_float : whether the float is new
    reach_h : hours in which each person who stays can be at the house [h]; generator : whether one stands there
    heard : float — share of the time that the house is heard, 0..1
    """

    outages: OutageRecord
    pack: PackState
    freeboard_min: float | None
    season: SeasonBelief | None
    storms: PeakDraws | None
    duty: float | None = None
    pump_wear: float = 1.0
    float_wear: float = 1.0
    pumps: int = 1
    new_float: bool = False
    reach_h: tuple[float, ...] = ()
    generator: bool = False
    heard: float = 1.0
    present: PresentOutage | None = None


@dataclass(frozen=True, slots=True)
class TripSpan:
    """From leaving until being back, as days since 1970; now : when it is asked."""

    now: float
    leave: float
    back: float
