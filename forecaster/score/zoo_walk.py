"""A case of the zoo walked through engine and alarms, as the forecaster does: what they said, beside the truth."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from forecaster.alarms import AlarmManager, Outside, doubted_channels
from forecaster.domain.alarms import AlarmKind, AlarmTransition, TransitionKind
from forecaster.domain.channels import ChannelFacts
from forecaster.domain.errors import FitError
from forecaster.domain.forecast import Forecast
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Supply
from forecaster.domain.times import HOUR_MS
from forecaster.engine import Engine
from forecaster.engine.doubts import doubted
from forecaster.score.baselines import Gatherer, slope_h
from forecaster.score.metrics import filled
from forecaster.twin.zoo.cases import ZooCase
from forecaster.twin.zoo.rows import MainsSight

SETTLED_MS = 6 * HOUR_MS
"""Alarms this soon after the start are not judged: a new installation has hours to settle [ms]."""

STEP_REST_MS, STEP_CLOSE_MS, STEP_PACK_MS = 900_000, 20_000, 120_000
CLOSE_MS = 1_800_000
FORECAST_MS = 600_000
REFIT_MS, REFIT_REST_MS = HOUR_MS, 12 * HOUR_MS
DUE_S = {MainsSight.FLAG: 60.0, MainsSight.INFERRED: 1200.0, MainsSight.COARSE: 600.0}
RESERVE = (AlarmKind.LOW_RESERVE, AlarmKind.CRITICAL_RESERVE, AlarmKind.RESERVE_REACHED)
Channels = Callable[[], Iterable[ChannelFacts]]
STORY = (AlarmKind.MAINS_LOST, *RESERVE)
AFTER_OUTAGE = (*STORY, AlarmKind.PACK_NOT_CHARGING)
EXPLAINED_MS = 3 * HOUR_MS
"""An alarm up to this long after the end of an earlier mains failure is explained by it [ms]."""


@dataclass(frozen=True, slots=True)
class ZooForecast:
    """One forecast beside what came.

    percent : float — energy left when it was asked [%]; hours : float — true time until the reserve floor [h]
    quantiles : (7,) — hours at LEVELS [h]; slope_h : float | None — by the plain slope of the charge [h]; None: it has
    no answer
    """

    percent: float
    hours: float
    quantiles: tuple[float, ...]
    slope_h: float | None
    basis: str
    degraded: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ZooOutcome:
    """What was said of one case.

    still_known : whether charge and energy still arrive
    mains_lost_s, due_s : from the failure to the `mains-lost` alarm, and by when it was due [s]; None: it never came
    flips : changes of the supply told in the outage; one is right
    cleared : times that `mains-lost` or a reserve alarm was cleared while the pack carried, above the floor
    lead_h : from the first reserve alarm that people were told to the reserve floor [h]; None: no such alarm came
    quiet_days : days on mains that were watched; false : kinds raised in them that nothing explains
    strange : kinds raised in the outage that neither it nor the row's fault explains
    """

    row: str
    group: str
    seed: int
    still_known: bool
    forecasts: tuple[ZooForecast, ...]
    mains_lost_s: float | None
    due_s: float
    flips: int
    cleared: int
    lead_h: float | None
    quiet_days: float
    false: tuple[str, ...]
    strange: tuple[str, ...]


@dataclass
class _Told:
    """What the manager and the engine said."""

    changes: list[AlarmTransition] = field(default_factory=list)
    supplies: list[tuple[int, Supply]] = field(default_factory=list)


class _ZooWalk:
    """Engine and manager of one case, in step with its readings."""

    def __init__(self, case: ZooCase, channels: Channels) -> None:
        self.case, self.channels = case, channels
        self.engine, self.manager = Engine(case.site), AlarmManager(case.site)
        self.gatherer = Gatherer(case.site, case.transfer_ms)
        self.issued: Forecast | None = None
        self.refitted_ms: int | None = None
        self.told = _Told()

    def take(self, reading: Reading) -> None:
        """Fold a reading in."""
        self.engine.update(reading)
        if reading.quantity is Quantity.PACK_CHARGE:
            self.gatherer.take((reading,))

    def step(self, now_ms: int) -> None:
        """Look at the site: its state, a forecast if the last is old, and what the manager makes of them."""
        self._refit(now_ms)
        seen = self.engine.status(now_ms)
        supplies = self.told.supplies
        moved = not supplies or supplies[-1][1] is not seen.supply
        if moved:
            supplies.append((now_ms, seen.supply))
        if self.issued is None or moved or now_ms - self.issued.issued_at_ms >= FORECAST_MS:
            self.issued = self.engine.forecast(now_ms)
        channels = tuple(self.channels())
        outside = Outside(channels=channels, refused=doubted_channels(channels))
        self.issued = doubted(self.issued, outside.channels)
        self.told.changes.extend(self.manager.step(seen, self.issued, now_ms, outside))

    def _refit(self, now_ms: int) -> None:
        """As the service does: hourly on the pack, seldom on mains."""
        if self.refitted_ms is None:
            self.refitted_ms = now_ms
        if now_ms - self.refitted_ms < (REFIT_MS if now_ms >= self.case.transfer_ms else REFIT_REST_MS):
            return
        self.refitted_ms = now_ms
        self.engine.events()
        try:
            self.engine.refit(now_ms)
        except FitError:
            return  # the models go on as they are, and say so

    def change(self) -> None:
        """The owner changes the site file: engine and manager are taken up again with it."""
        site = self.case.changed_site
        if site is not None:
            self.engine = Engine.restore(site, self.engine.snapshot())
            self.manager = AlarmManager.restore(site, self.manager.snapshot())
            self.issued = None

    def ask(self, percent: float, now_ms: int) -> ZooForecast:
        """The forecast at a moment, and what the slope of the charge says."""
        forecast = doubted(self.engine.forecast(now_ms), self.channels())
        return ZooForecast(
            percent=percent,
            hours=(self.case.reserve_ms - now_ms) / HOUR_MS,
            quantiles=tuple(filled(forecast.hours_remaining.values()).tolist()),
            slope_h=slope_h(self.gatherer.seen(now_ms)),
            basis=forecast.basis.value,
            degraded=tuple(str(reason) for reason in forecast.degraded),
        )


def _steps(case: ZooCase) -> Iterator[int]:
    """When the site is looked at [UTC ms]: seldom on mains, every 20 s after the failure, then every two minutes."""
    at_ms = case.scene.start_ms + STEP_REST_MS
    while at_ms < case.reserve_ms:
        yield at_ms
        if at_ms < case.transfer_ms:
            at_ms = min(at_ms + STEP_REST_MS, max(case.transfer_ms, at_ms + 1))
        else:
            at_ms += STEP_CLOSE_MS if at_ms < case.transfer_ms + CLOSE_MS else STEP_PACK_MS


def walk_case(case: ZooCase, readings: Iterable[Reading], channels: Channels = tuple) -> ZooOutcome:
    """Walk a case through engine and alarm manager, and gather what they said.

    readings : in order of arrival; taken one by one as they come
    channels : gives what is known of the channels as far as the readings have been taken
    """
    walk = _ZooWalk(case, channels)
    moments = sorted(
        [
            *((at_ms, 1, 0.0) for at_ms in _steps(case)),
            *((at_ms, 2, percent) for percent, at_ms in case.origins()),
            *(() if case.change_ms is None else ((case.change_ms, 0, 0.0),)),
        ]
    )
    forecasts: list[ZooForecast] = []
    coming = iter(readings)
    reading = next(coming, None)
    for at_ms, what, percent in moments:
        while reading is not None and reading.arrived_ms <= at_ms:
            walk.take(reading)
            reading = next(coming, None)
        match what:
            case 0:
                walk.change()
            case 1:
                walk.step(at_ms)
            case _:
                forecasts.append(walk.ask(percent, at_ms))
    return _outcome(case, forecasts, walk.told)


def _outcome(case: ZooCase, forecasts: Sequence[ZooForecast], told: _Told) -> ZooOutcome:
    first_ms = case.scene.start_ms + SETTLED_MS
    since = [change for change in told.changes if change.at_ms >= case.transfer_ms]
    raised = [change for change in told.changes if change.kind is TransitionKind.RAISED]
    strange = {
        change.alarm.kind.value
        for change in raised
        if change.at_ms >= case.transfer_ms and change.alarm.kind not in STORY and not case.row.explains(change.alarm)
    }
    quiet = [change for change in raised if first_ms <= change.at_ms < case.transfer_ms]
    return ZooOutcome(
        row=case.row.name,
        group=case.row.group.value,
        seed=case.seed,
        still_known=case.row.still_known,
        forecasts=tuple(forecasts),
        mains_lost_s=_mains_lost_s(case, told.changes),
        due_s=_due_s(case),
        flips=sum(at_ms >= case.transfer_ms for at_ms, _ in told.supplies),
        cleared=sum(change.kind is TransitionKind.CLEARED and change.alarm.kind in STORY for change in since),
        lead_h=_lead_h(case, since),
        quiet_days=(case.transfer_ms - first_ms) / (24.0 * HOUR_MS),
        false=tuple(change.alarm.kind.value for change in quiet if not _explained(case, change)),
        strange=tuple(sorted(strange)),
    )


def _explained(case: ZooCase, change: AlarmTransition) -> bool:
    """Whether an earlier failure, or the row's own fault, is reason for an alarm on mains."""
    if case.row.explains(change.alarm):
        return True
    if change.alarm.kind not in AFTER_OUTAGE:
        return False
    at_s = (change.at_ms - case.scene.start_ms) / 1000.0
    spans = case.scene.house.spans
    return any(s.supply is Supply.PACK and s.start_s <= at_s <= s.stop_s + EXPLAINED_MS / 1000.0 for s in spans)


def _mains_lost_s(case: ZooCase, changes: Sequence[AlarmTransition]) -> float | None:
    """From the failure to the alarm [s]; 0 where it stood already, None where it never came."""
    stands = False
    for change in changes:
        if change.alarm.kind is not AlarmKind.MAINS_LOST:
            continue
        if change.at_ms >= case.transfer_ms:
            if stands:
                return 0.0
            if change.kind is TransitionKind.RAISED:
                return (change.at_ms - case.transfer_ms) / 1000.0
        if change.kind in (TransitionKind.RAISED, TransitionKind.CLEARED):
            stands = change.kind is TransitionKind.RAISED
    return 0.0 if stands else None


def _due_s(case: ZooCase) -> float:
    """By when the mains' loss was to be told, from the failure [s]."""
    due_s = DUE_S[case.row.sight]
    if case.row.sight is not MainsSight.COARSE:
        return due_s
    sign_ms = case.first_sign_ms()
    return due_s + (0.0 if sign_ms is None else (sign_ms - case.transfer_ms) / 1000.0)


def _lead_h(case: ZooCase, changes: Sequence[AlarmTransition]) -> float | None:
    told = [c.at_ms for c in changes if c.tell and c.alarm.kind in RESERVE and c.kind is not TransitionKind.CLEARED]
    return (case.reserve_ms - told[0]) / HOUR_MS if told else None
