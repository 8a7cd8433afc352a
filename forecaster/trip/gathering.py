"""The facts of a house for a trip, read from its site file, its ledger, and the newest studies of its long record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
import numpy as np

from forecaster.domain.alarms import STANDING, AlarmKind, Priority
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.errors import UsageError
from forecaster.domain.forecast import Forecast
from forecaster.domain.longrecord import Day, HousePart, PartTold
from forecaster.domain.ports import Ledger
from forecaster.domain.runs import Outage, Supply
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS, HOUR_MS, YEAR_DAYS
from forecaster.engine.document import from_document
from forecaster.health.told import HEALTH, parts_told, season_belief, storm_draws, storm_rate
from forecaster.pack.nameplate import running_w
from forecaster.texts.catalogue import Said
from forecaster.trip import priors
from forecaster.trip.house import OutageRecord, PackState, PresentOutage, TripHouse

OUTAGES, ALARMS = 2000, 2000
NEWEST_DAYS = 90
LEAST_DUTY = 0.003
"""Share of the time that a pump must run for its mean draw to tell what it takes while running."""

IDLE_W, EFFICIENCY, USABLE = 12.0, 0.88, 0.9
"""A pack's own draw [W], its inverter's efficiency and the usable share of the nameplate, if unknown. A guess."""

WET_DAYS = 0.8
"""A day is wet where the pump ran longer than on this share of all days."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """A house, and where its figures come from.

    record_days : int — days on record; live : bool — whether there is a forecast, which gives pack and draw
    parts : states by the newest study of health; studied : bool — whether there is one
    graver : headlines of the standing alarms of high or critical priority
    silent_h : float — since the newest reading that the newest forecast rests on [h]; 0 without a forecast
    """

    house: TripHouse
    record_days: int
    live: bool
    parts: tuple[PartTold, ...]
    graver: tuple[str, ...]
    studied: bool
    silent_h: float


def gather(site: Site, ledger: Ledger, now_ms: int, away: Sequence[str] | None = None) -> Gathered:
    """Read what the answer before a trip rests on; now_ms in UTC milliseconds.

    away : names of the contacts who are on the trip; None: the first one of the site file
    Errors: StoreError; UsageError for a name that is not among the contacts.
    """
    days = ledger.days(site.id, 0, now_ms)
    outages = [outage for outage in ledger.outages(site.id, OUTAGES) if outage.start_ms <= now_ms]
    stored = ledger.newest([site.id]).get(site.id)
    forecast = None if stored is None else from_document(msgspec.json.decode(stored.document))
    alarms = ledger.alarms(site.id, limit=ALARMS)
    standing = [a for a in ledger.alarms(site.id, STANDING) if a.cleared_ms is None]
    study = ledger.study(site.id, HEALTH)
    names = ["", *(pump.id for pump in site.pumps[:1])]
    parts = tuple(part for part in parts_told(study) if part.pump in names)  # the first pump lifts, and may fail
    failed = sum(alarm.kind is AlarmKind.PACK_OUTPUT_OFF for alarm in alarms)
    house = TripHouse(
        outages=_record(outages, days, now_ms),
        pack=_pack(site, forecast, days, outages, ledger.tests(site.id), failed, now_ms),
        freeboard_min=_freeboard_min(site, storm_rate(ledger, site.id), forecast),
        season=season_belief(ledger, site.id), storms=storm_draws(ledger, site),
        duty=None if forecast is None else forecast.duty,
        pump_wear=_wear(parts, HousePart.PUMP_FLOW, HousePart.PUMP_POWER, HousePart.DISCHARGE_LINE),
        float_wear=_wear(parts, HousePart.FLOAT),
        reach_h=_reach(site, away), heard=_heard(days), present=_present(forecast, outages, now_ms),
    )  # fmt: skip
    graver = tuple(a.headline for a in standing if a.priority in (Priority.HIGH, Priority.CRITICAL))
    return Gathered(
        house, len(days), forecast is not None, parts, graver, study is not None, _silent_h(forecast, now_ms)
    )


def _record(outages: Sequence[Outage], days: Sequence[Day], now_ms: int) -> OutageRecord:
    """The site's own sustained outages that are over, without rehearsals."""
    first_ms = min([day.start_ms for day in days] or [now_ms])
    own = [
        outage for outage in outages
        if not outage.rehearsal and outage.end_ms is not None and outage.start_ms >= first_ms
        and outage.end_ms - outage.start_ms >= priors.SUSTAINED_H * HOUR_MS
    ]  # fmt: skip
    ran_s = np.array([day.run_s for day in days], dtype=np.float64)
    limit = float(np.quantile(ran_s, WET_DAYS)) if ran_s.size else 0.0
    wet = [(day.start_ms, day.end_ms) for day in days if day.run_s > limit]
    calm_h: list[float] = []
    wet_h: list[float] = []
    for outage in own:
        in_wet = any(start <= outage.start_ms < end for start, end in wet)
        (wet_h if in_wet else calm_h).append(((outage.end_ms or now_ms) - outage.start_ms) / HOUR_MS)
    return OutageRecord((now_ms - first_ms) / (YEAR_DAYS * DAY_MS), tuple(calm_h), tuple(wet_h))


def _pack(
    site: Site, forecast: Forecast | None, days: Sequence[Day], outages: Sequence[Outage],
    tests: Sequence[DischargeTest], failed: int, now_ms: int,
) -> PackState:  # fmt: skip
    """The pack by the newest forecast, else by the site file."""
    per_percent, spread = site.pack.nominal_wh * USABLE / 100.0, 0.25
    base_w = sum(load.mean_w for load in site.loads) / EFFICIENCY + IDLE_W
    pump_w = running_w(site.pump) / EFFICIENCY
    if forecast is not None:
        above = (forecast.charge_percent or 0.0) - site.pack.reserve_percent
        if forecast.usable_wh is not None and above > 5.0:
            per_percent, spread = forecast.usable_wh / above, _spread(forecast)
        if forecast.draw is not None:
            base_w = forecast.draw.loads_w + forecast.draw.pack_w
            if forecast.duty is not None and forecast.duty > LEAST_DUTY and forecast.draw.pump_w > 0.0:
                pump_w = forecast.draw.pump_w / forecast.duty
    proofs = [outage.start_ms for outage in outages] + [t.started_ms for t in tests if t.result is not None]
    carried = max(0, len(proofs) - failed)
    proven = (now_ms - max(proofs)) / DAY_MS if carried else None
    return PackState(per_percent, _usual_charge(forecast, days), base_w, pump_w, spread, proven, carried, failed)


def _spread(forecast: Forecast) -> float:
    low, high = forecast.hours_to_empty.p10, forecast.hours_to_empty.p90
    if low is None or high is None or low <= 0.0:
        return 0.15
    return float(np.clip(np.log(high / low) / 2.563, 0.05, 0.4))


def _usual_charge(forecast: Forecast | None, days: Sequence[Day]) -> float:
    """The charge at which the pack usually stands on mains [%]."""
    high = [day.charge_high_percent for day in days[-30:] if day.charge_high_percent is not None]
    if high:
        return float(np.median(high))
    on_mains = forecast is not None and forecast.supply is Supply.MAINS
    return forecast.charge_percent if on_mains and forecast is not None and forecast.charge_percent else 100.0


def _freeboard_min(site: Site, studied_l_per_min: float | None, forecast: Forecast | None) -> float | None:
    """How long the pump at full rate would take to fill the freeboard [min]; None: pit or pump are not known.

    The pump's rate is that of the long record's study, else what the newest forecast has learnt, else the nameplate's.
    """
    learnt = None if forecast is None else forecast.water.pump_rate_l_per_min
    rate = studied_l_per_min or learnt or site.pump.rated_flow_l_per_min
    if site.pit.freeboard_m is None or site.pit.area_m2 is None or not rate:
        return None
    return 1000.0 * site.pit.freeboard_m * site.pit.area_m2 / rate


def _wear(parts: Sequence[PartTold], *of: HousePart) -> float:
    return max((priors.WEAR[part.state.value] for part in parts if part.part in of), default=1.0)


def _reach(site: Site, away: Sequence[str] | None) -> tuple[float, ...]:
    """Hours that those who stay need to the house, rising [h]. Errors: UsageError for an unknown name."""
    names = [contact.name for contact in site.contacts]
    unknown = [name for name in away or () if name and name not in names]
    if unknown:
        raise UsageError(Said("usage.no_contact", name=unknown[0]), Said("usage.name_a_contact"))
    gone = set(names[:1] if away is None else away)
    reach = [c.hours_to_reach for c in site.contacts if c.name not in gone]
    return tuple(sorted(hours for hours in reach if hours is not None))


def _heard(days: Sequence[Day]) -> float:
    newest = days[-NEWEST_DAYS:]
    if not newest:
        return 1.0
    return float(np.mean([min(1.0, day.heard_s * 1000.0 / (day.end_ms - day.start_ms)) for day in newest]))


def _silent_h(forecast: Forecast | None, now_ms: int) -> float:
    if forecast is None:
        return 0.0
    return max(0.0, (now_ms - forecast.issued_at_ms) / HOUR_MS) + (forecast.data_age_s or 0.0) / 3600.0


def _present(forecast: Forecast | None, outages: Sequence[Outage], now_ms: int) -> PresentOutage | None:
    """The outage that lasts, as the newest forecast has it; a rehearsal is none."""
    lasting = next((o for o in outages if o.end_ms is None and not o.rehearsal), None)
    if forecast is None or forecast.supply is not Supply.PACK or lasting is None:
        return None
    age_h = (now_ms - lasting.start_ms) / HOUR_MS
    return PresentOutage(max(age_h, 0.0), forecast.charge_percent or 0.0, forecast.duty or priors.DUTY)
