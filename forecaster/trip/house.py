"""What the chance of a wet floor rests on: a house's outages, pack, water, pump, float and people, as figures."""

from __future__ import annotations

from dataclasses import dataclass

from forecaster.record.levels import LevelDraws
from forecaster.record.peaks import PeakDraws
from forecaster.water.seasonal import SeasonBelief


@dataclass(frozen=True, slots=True)
class OutageRecord:
    """The site's own outages.

    years : float — length of the record
    calm_h, wet_h : tuple of float — how long each outage lasted that came in usual and in wet weather [h]
    """

    years: float = 0.0
    calm_h: tuple[float, ...] = ()
    wet_h: tuple[float, ...] = ()

    @property
    def hours(self) -> tuple[float, ...]:
        """How long each outage lasted [h], those in usual weather first."""
        return (*self.calm_h, *self.wet_h)


@dataclass(frozen=True, slots=True)
class PackState:
    """The pack, as the chance of a wet floor asks for it.

    wh_per_percent : float — energy of one per cent of charge [Wh]; spread : float — deviation of its natural logarithm
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
    """An outage that still lasts.

    age_h : float — for how long by now [h]; charge_percent : float — now [%], 0..100; duty : float — now, 0..1
    """

    age_h: float
    charge_percent: float
    duty: float


@dataclass(frozen=True, slots=True)
class TripHouse:
    """Everything that the model asks of a house.

    freeboard_min : float | None — how long the pump at full rate would take to fill the freeboard [min]
    season : SeasonBelief | None — inflow by day of the year, as a share of what the pump lifts
    storms : PeakDraws | LevelDraws | None — the wettest hours, likewise, by the record or by the owner's rain table;
        None for either: the record does not tell
    duty : float | None — share of time that the pump runs, by the newest forecast, 0..1
    pump_wear, float_wear : float — factor by which they fail more often than usual; 1: as usual
    pumps : int — pumps side by side; new_float : bool — whether the float is new
    reach_h : tuple of float — how soon each person who stays can be at the house [h]
    generator : bool — whether one stands at the house
    heard : float — share of the time that the house is heard, 0..1
    """

    outages: OutageRecord
    pack: PackState
    freeboard_min: float | None
    season: SeasonBelief | None
    storms: PeakDraws | LevelDraws | None
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
