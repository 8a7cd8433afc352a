"""The evidence that the fold gives to the models: spans of pump energy, rain, and the course of a discharge."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from forecaster.domain.runs import Event


@dataclass(frozen=True, slots=True)
class PumpSpan:
    """Pump energy at the plug over a span [Wh]: of whole cycles, or a window where sampling is too coarse for them.

    lump_wh : float — of a window: the energy that one sample of a running pump represents [Wh]; 0: runs are not sampled
    ends_wh : float — of a window: the uncertainty of what its ends cut off [Wh]
    """

    start_ms: int
    stop_ms: int
    energy_wh: float
    lump_wh: float = 0.0
    ends_wh: float = 0.0


@dataclass(frozen=True, slots=True)
class RainSpan:
    """Rain that fell over a span [mm]."""

    start_ms: int
    stop_ms: int
    depth_mm: float


@dataclass(frozen=True, slots=True)
class Began:
    """The pack took over at a charge [%]; None: not reported.

    spread_percent : float | None — uncertainty of the charge where it was computed and not read [%]
    reported_percent : float | None — the charge reported then, from which changes are counted [%]
    """

    at_ms: int
    charge_percent: float | None
    spread_percent: float | None = None
    reported_percent: float | None = None


@dataclass(frozen=True, slots=True)
class Drained:
    """Counted since the pack took over: charge [%] where this moment read it, Wh at the plug, of other loads where
    measured, and into the pack; lump_wh as in PumpSpan; unheard_wh was booked for the pump while it was not heard;
    seldom where the pump's samples are so far apart that a count of the runs they catch tells little; grain_wh is the
    energy within which plug_wh is known at this moment, whatever it was off by before; walk_wh is the variance that
    plug_wh gathers, over its energy, of runs that are sampled and seen."""

    at_ms: int
    charge_percent: float | None
    plug_wh: float
    elapsed_s: float
    charging_wh: float
    loads_wh: float | None
    lump_wh: float = 0.0
    unheard_wh: float = 0.0
    seldom: bool = False
    grain_wh: float = 0.0
    walk_wh: float = 0.0

    @property
    def outlet_wh(self) -> float:
        """The energy of pump and other loads, as far as it is known or estimated [Wh]."""
        return self.plug_wh + self.unheard_wh + (self.loads_wh or 0.0)


@dataclass(frozen=True, slots=True)
class Healed:
    """Late readings of the pump have arrived: its energy since the transfer at later times.

    course : [s], [Wh] of each point, rising
    unheard_wh : float — the energy that stays estimated before the course [Wh]
    lump_wh : float — of the course, as in PumpSpan
    """

    course: tuple[tuple[float, float], ...]
    unheard_wh: float
    lump_wh: float = 0.0


@dataclass(frozen=True, slots=True)
class Ended:
    """The mains came back."""

    at_ms: int


@dataclass(frozen=True, slots=True)
class Warmth:
    """The pack's temperature [°C]."""

    temperature_c: float


@dataclass(frozen=True, slots=True)
class Clipped:
    """For the first time the power was limited by the pack's continuous rating: the power shown [W]."""

    shown_w: float


Evidence = PumpSpan | RainSpan | Began | Drained | Healed | Ended | Warmth | Clipped


@dataclass(slots=True)
class FoldOutput:
    """The output of a fold, in order."""

    events: list[Event] = field(default_factory=list)
    evidence: list[Evidence] = field(default_factory=list)

    def add(self, evidence: Iterable[Evidence], events: Iterable[Event]) -> None:
        """Add what was found together."""
        self.evidence += evidence
        self.events += events
