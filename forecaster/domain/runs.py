"""What the pump and the supply did: runs, gaps, transfers, outages."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from forecaster.domain.quantities import Quantity


class Supply(StrEnum):
    """Who carries the pump."""

    MAINS = "mains"
    PACK = "pack"


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the pump, from start to stop.

    start_ms, stop_ms : int — UTC milliseconds
    energy_wh : float | None — energy at the pump's plug during the run [Wh]
    power_w : float | None — mean running power [W]
    peak_w : float | None — greatest reading during the run [W]
    source : Quantity — what the run was told from
    supply : Supply — who carried it
    samples : int — readings while running; with fewer than two the length is not a measurement
    start_censored, stop_censored : bool — the edge fell into a gap or between coarse samples, so it is only a bound
    clipped : bool — the power was limited by the pack's continuous rating, so the true power may be higher
    pump : str — the name of the second pump, where it ran; "" for the first, or the only one
    """

    site: str
    start_ms: int
    stop_ms: int
    energy_wh: float | None
    power_w: float | None
    peak_w: float | None
    source: Quantity
    supply: Supply
    samples: int
    start_censored: bool = False
    stop_censored: bool = False
    clipped: bool = False
    pump: str = ""

    @property
    def run_s(self) -> float:
        """Length [s]."""
        return (self.stop_ms - self.start_ms) / 1000.0

    @property
    def measured(self) -> bool:
        """Whether the length is a measurement rather than a bound."""
        return self.samples >= 2 and not (self.start_censored or self.stop_censored)


@dataclass(frozen=True, slots=True)
class Gap:
    """A span in which a quantity was not heard; nothing is integrated across it.

    pump : str — the name of the second pump, where the quantity is one of its own; else ""
    """

    site: str
    quantity: Quantity
    start_ms: int
    stop_ms: int
    pump: str = ""


@dataclass(frozen=True, slots=True)
class Transfer:
    """A change of supply."""

    site: str
    at_ms: int
    to: Supply
    inferred: bool


@dataclass(frozen=True, slots=True)
class Outage:
    """A span on the pack.

    end_ms : int | None — None while it lasts
    lowest_charge_percent, start_charge_percent : float | None — the lowest one is told once it has ended
    forecast_h : tuple[float, float, float] | None — p10, p50, p90 hours remaining an hour in, or at the end if shorter
    reached_reserve_ms : int | None — when the reserve floor was reached; None: right-censored by the mains' return
    rehearsal : bool — a discharge test, not a failure
    """

    site: str
    start_ms: int
    end_ms: int | None
    inferred: bool
    start_charge_percent: float | None = None
    lowest_charge_percent: float | None = None
    energy_used_wh: float | None = None
    forecast_h: tuple[float, float, float] | None = None
    reached_reserve_ms: int | None = None
    rehearsal: bool = False


Event = Run | Gap | Transfer | Outage
"""The findings of the engine that the ledger records."""
