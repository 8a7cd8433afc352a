"""Rolling origin: every forecaster asked at every origin, each from only what had arrived by then."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from forecaster.domain.errors import FitError
from forecaster.domain.forecast import LEVELS, Forecast
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Event
from forecaster.domain.site import Site
from forecaster.maths.arrays import Array
from forecaster.score.baselines import BASELINES, PERFECT, Gatherer
from forecaster.score.bound.bound import BOUND
from forecaster.score.cases import Case, Origin
from forecaster.score.metrics import Outcome, filled

ENGINE, ORACLE = "outlast", "oracle"


class EngineFold(Protocol):
    """The part of the engine that a score uses. All times are UTC milliseconds."""

    def update(self, reading: Reading) -> None:
        """Fold one reading."""
        ...

    def refit(self, now_ms: int) -> None:
        """Fit the models anew from what was folded. Errors: FitError."""
        ...

    def forecast(self, now_ms: int) -> Forecast:
        """The forecast at now_ms."""
        ...

    def events(self) -> list[Event]:
        """Events found since the last call."""
        ...


class Peer(Protocol):
    """Another forecaster to compare with, fed the same readings."""

    def take(self, readings: Sequence[Reading]) -> None:
        """Take new readings, in order of arrival."""
        ...

    def quantiles_h(self, now_ms: int) -> Sequence[float | None] | None:
        """Hours until the reserve floor at LEVELS [h], each None beyond the horizon; None alone if it has no answer."""
        ...


@dataclass(frozen=True, slots=True)
class Scored:
    """One forecast beside what came.

    case, group : str — the outage, and its sampling style or the name of its log
    percent : float — charge at the origin [%]; forecaster : str — who was asked: ENGINE, ORACLE, a baseline or a peer
    quantiles : tuple — hours at LEVELS [h]; a point forecast has them all equal
    scale_h : float — the oracle's median, or the engine's where there is no oracle: fixed before the outcome [h]
    basis, degraded : of the engine's forecast; empty for the others
    effective : float | None — of the bound: its least number of effective particles since the origin before
    """

    case: str
    group: str
    percent: float
    forecaster: str
    quantiles: tuple[float, ...]
    outcome: Outcome
    scale_h: float
    basis: str = ""
    degraded: tuple[str, ...] = ()
    effective: float | None = None


REFIT_MS = 3_600_000
"""A fit older than this is renewed when a forecast is asked: the service refits hourly on the pack [ms]."""

HISTORY_REFIT_MS = 24 * REFIT_MS
"""The same while readings are folded between origins, where no forecast would show the difference [ms]."""


def score_case(
    case: Case,
    engine: Callable[[Site], EngineFold],
    peers: dict[str, Callable[[Case], Peer]] | None = None,
) -> list[Scored]:
    """Every forecaster's answers for one outage, earliest origin first.

    engine : makes the live engine for a site: fed reading by reading, and asked with a fit as fresh as the service's
    peers : name -> makes another forecaster for a case
    """
    feed = _Feed(case, engine(case.site), {name: build(case) for name, build in (peers or {}).items()})
    return [row for origin in sorted(case.origins, key=lambda o: o.at_ms) for row in feed.at(origin)]


class _Feed:
    """One outage's readings, handed to all forecasters in step."""

    def __init__(self, case: Case, fold: EngineFold, peers: dict[str, Peer]) -> None:
        self.case, self.fold, self.peers = case, fold, peers
        self.gatherer = Gatherer(case.site, case.transfer_ms)
        self.place = 0
        self.refitted_ms: int | None = None

    def _advance(self, now_ms: int) -> None:
        readings = self.case.readings
        first = self.place
        while self.place < len(readings) and readings[self.place].arrived_ms <= now_ms:
            self.fold.update(readings[self.place])
            self.place += 1
            self._refit(readings[self.place - 1].arrived_ms, HISTORY_REFIT_MS)
        self._refit(now_ms, REFIT_MS)
        new = readings[first : self.place]
        self.gatherer.take(new)
        for peer in self.peers.values():
            peer.take(new)

    def _refit(self, now_ms: int, every_ms: int) -> None:
        """Refit if the last one is old; where a fit fails the engine goes on as it is, and says degraded."""
        if self.refitted_ms is None:
            self.refitted_ms = now_ms
        if now_ms - self.refitted_ms < every_ms:
            return
        self.refitted_ms = now_ms
        with contextlib.suppress(FitError):
            self.fold.refit(now_ms)
        self.fold.events()

    def at(self, origin: Origin) -> list[Scored]:
        """What each forecaster says at an origin."""
        self._advance(origin.at_ms)
        case = self.case
        forecast = self.fold.forecast(origin.at_ms)
        own = filled(forecast.hours_remaining.values())
        reference = None if case.reference is None else case.reference(origin.at_ms)
        said = {ENGINE: own, **self._others(origin.at_ms)}
        if reference is not None:
            said[ORACLE] = reference
        bound = None if case.bound is None else case.bound(origin.at_ms)
        if bound is not None:
            said |= bound.hours
        scale_h = float(own[3] if reference is None else reference[3])
        return [
            Scored(
                case=case.name,
                group=case.group,
                percent=origin.percent,
                forecaster=name,
                quantiles=tuple(quantiles.tolist()),
                outcome=origin.outcome,
                scale_h=scale_h,
                basis=forecast.basis.value if name == ENGINE else "",
                degraded=forecast.degraded if name == ENGINE else (),
                effective=bound.effective if bound is not None and name == BOUND else None,
            )
            for name, quantiles in said.items()
        ]

    def _others(self, now_ms: int) -> dict[str, Array]:
        """Quantiles at LEVELS, (7,) [h], of the baselines (all equal) and of the peers, by name."""
        said: dict[str, Array] = {}
        seen = self.gatherer.seen(now_ms)
        points = {name: baseline(seen) for name, baseline in BASELINES.items()}
        if self.case.perfect_h is not None:
            points[PERFECT] = self.case.perfect_h(now_ms)
        for name, hours in points.items():
            if hours is not None:
                said[name] = filled([hours] * len(LEVELS))
        for name, peer in self.peers.items():
            quantiles = peer.quantiles_h(now_ms)
            if quantiles is not None:
                said[name] = filled(quantiles)
        return said
