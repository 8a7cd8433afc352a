"""Rules about the supply: mains, reserve, and the pack itself."""

from __future__ import annotations

from forecaster.alarms.evidence import HOLD, OFF, UNKNOWN, AlarmEvidence, Judgement, Verdict, compare
from forecaster.alarms.meant import is_meant, is_rehearsed
from forecaster.alarms.rules_pump import output_is_off
from forecaster.alarms.table import TABLE
from forecaster.domain.alarms import AlarmKind, Priority
from forecaster.domain.forecast import Forecast, PackNow, PackRole
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Supply
from forecaster.domain.site import Arrangement
from forecaster.domain.status import ASLEEP_W
from forecaster.texts.catalogue import Said

INFERRED_DELAY_S = 180.0
"""On-delay of a mains failure that is inferred, not reported, counted from when the charge began to fall [s]. Once the
supply is taken for lost, the charge alone cannot bring it back within ten minutes, so waiting longer tells nothing."""
COLD_C = 0.0
COLD_CLEAR_C = 2.0
"""Lithium cells must not be charged below 0 °C (common practice, no source)."""
SETTLE_MS = 15 * 60_000
"""How long a pack may take to start charging after the return of the mains [ms]."""
STOOD_S = 3600.0
FLAT_PERCENT_PER_H = 0.5
"""A charge that moves more slowly stands: it is not being charged, or not used up [%/h]."""
LEAST_REST_PERCENT, REST_STEP_PERCENT = 75.0, 2.0
"""Packs may be told to charge no further than to four fifths or so, and start anew some percents below (common
practice, no source): one that rests there charges as it is meant to."""
EMPTY_PERCENT = 1.0
EASED = 3.0
"""While the charge falls, a short reserve is over only once the estimate is beyond so many times its limit: an estimate
that has grown kinder may be wrong now, as it may have been before, and less is left than when the alarm was raised. For
the critical reserve that is where, by default, not even the low one would be raised. A kinder end is told meanwhile.
While gauge and energy contradict each other no estimate is kind enough."""
RETURNED = Judgement(Verdict.OFF, off_delay_s=TABLE[AlarmKind.MAINS_LOST].off_delay_s)
"""The mains is back: the whole group of an outage ends at once."""


def mains_lost(seen: AlarmEvidence) -> Judgement:
    """The pack carries the pump. A rehearsal within its plan is no alarm; silence is no evidence.

    Only the return of the mains ends it.
    """
    if seen.blind and not _mains_is_heard(seen):
        return UNKNOWN
    if not seen.on_pack:
        return OFF
    if AlarmKind.MAINS_LOST not in seen.open and is_meant(seen):
        return OFF
    if is_rehearsed(seen):
        return Judgement(Verdict.ON, "test")
    if seen.status.supply_returning:
        return HOLD  # back, or a sensor that chatters: neither news nor the end of it yet
    since_ms = seen.status.supply_since_ms
    if seen.status.supply_inferred:
        return Judgement(Verdict.ON, "inferred", since_ms=since_ms, on_delay_s=INFERRED_DELAY_S)
    return Judgement(Verdict.ON, since_ms=since_ms)


def _mains_is_heard(seen: AlarmEvidence) -> bool:
    """Whether the mains signal itself is fresh, though pump and pack may be silent."""
    if seen.outside.trouble is not None:
        return False
    return any(
        age.quantity is Quantity.MAINS_PRESENT and age.age_s is not None and not age.silent for age in seen.status.ages
    )


def low_reserve(seen: AlarmEvidence) -> Judgement:
    """On the pack: the hours that are exceeded with a chance of nine in ten are fewer than the owner's limit."""
    return _reserve(seen, AlarmKind.LOW_RESERVE)


def critical_reserve(seen: AlarmEvidence) -> Judgement:
    """As low reserve, at the lower limit."""
    return _reserve(seen, AlarmKind.CRITICAL_RESERVE)


def _reserve(seen: AlarmEvidence, kind: AlarmKind) -> Judgement:
    """On mains `hours_remaining` answers "if the mains failed now", so a short time there is no alarm.

    A projection of old telemetry neither raises nor clears: silence has an alarm of its own, with the projected end.
    What was told once is not taken back while the charge falls, only because the estimate grew a little kinder.
    """
    if seen.blind:
        return UNKNOWN
    if not seen.on_pack:
        return RETURNED
    quantiles = seen.forecast.hours_remaining
    if quantiles.p10 is None and seen.forecast.never_probability >= 0.9:
        return OFF
    # where the loss of the mains is inferred, that is told first
    row, p10 = seen.row(kind), quantiles.p10
    delay_s = row.on_delay_s + (INFERRED_DELAY_S if seen.status.supply_inferred else 0.0)
    verdict = compare(row, p10)
    if verdict is not Verdict.OFF or p10 is None or not _charge_falls(seen):
        return Judgement(verdict, on_delay_s=delay_s)
    if p10 <= EASED * (row.limit or 0.0) or _charge_is_doubted(seen.forecast):
        return HOLD
    return Judgement(verdict, on_delay_s=delay_s)


def _charge_is_doubted(forecast: Forecast) -> bool:
    """Whether gauge and energy contradict each other: the one that gives the pack longer may be the wrong one."""
    return any(isinstance(reason, Said) and reason.key == "degraded.charge-doubted" for reason in forecast.degraded)


def _charge_falls(seen: AlarmEvidence) -> bool:
    """Whether the pack is being used up: its charge falls, or nobody tells that it does not.

    The rate of a charge that stands falls off for as long as it stands, and is never zero; a gauge that must have
    moved tells nothing.
    """
    rate, frozen = seen.status.charge_rate_percent_per_h, Quantity.PACK_CHARGE in seen.status.frozen
    return frozen or rate is None or rate <= -FLAT_PERCENT_PER_H


def reserve_reached(seen: AlarmEvidence) -> Judgement:
    """The charge is at the floor, as reported, or where it is not reported, as counted down by the forecast."""
    if seen.blind:
        return UNKNOWN
    row = seen.row(AlarmKind.RESERVE_REACHED)
    charge = seen.status.charge_percent
    if charge is None:
        charge = seen.forecast.charge_percent
    if charge is None:
        p50 = seen.forecast.hours_remaining.p50
        if not seen.on_pack:
            return UNKNOWN if p50 is None else (OFF if p50 > 0.25 else HOLD)
        return UNKNOWN if p50 is None else Judgement(Verdict.ON if p50 <= 0.0 else Verdict.OFF)
    above = charge - seen.site.pack.reserve_percent
    if seen.on_pack and above <= (row.limit or 0.0):
        return Judgement(Verdict.ON, "apart" if carrying_by_itself(seen.forecast) else "")
    return OFF if above > (row.clear_level or 0.0) else HOLD


def pack_output_off(seen: AlarmEvidence) -> Judgement:
    """There is charge left, but the pack, or one of several, carries nothing when something should draw power."""
    if seen.blind:
        return UNKNOWN
    if output_is_off(seen):
        charge = seen.status.charge_percent
        if charge is not None and charge <= EMPTY_PERCENT and seen.on_pack:
            return HOLD  # empty: there is nothing left to carry with, and reserve-reached has told so
        return Judgement(Verdict.ON, "pack" if seen.on_pack else "mains")
    one = _one_of_several(seen)
    if one is not None:
        return one
    output_w = seen.status.pack_output_w
    if seen.status.pack_carrying or (output_w is not None and output_w >= ASLEEP_W):
        return OFF
    return OFF if seen.status.running_since_ms is not None else UNKNOWN


def idle_packs(forecast: Forecast) -> tuple[PackRole, list[str]] | None:
    """Packs that do not carry though they should, while another one carries: off before empty. None where all do."""
    for role in (PackRole.OFF, PackRole.EMPTY):
        names = [pack.id for pack in forecast.packs if pack.role is role]
        if names:
            return role, names
    return None


def carrying_by_itself(forecast: Forecast) -> bool:
    """Whether a pack carries that feeds one of two pumps alone."""
    return any(pack.pump is not None and pack.role is PackRole.CARRYING for pack in forecast.packs)


def _one_of_several(seen: AlarmEvidence) -> Judgement | None:
    """One of several packs carries nothing while another one does.

    Packs that carry in turn are meant to run empty, and so is that of a pump that lifts first.
    """
    found = idle_packs(seen.forecast)
    if found is None:
        return None
    apart = seen.site.pack_a_pump
    if found[0] is PackRole.OFF:
        if not seen.on_pack:
            return Judgement(Verdict.ON, "one-mains", Priority.MEDIUM)
        return Judgement(Verdict.ON, "apart" if apart else "one", Priority.HIGH)
    if apart and seen.on_pack and seen.forecast.packs[0].role is PackRole.CARRYING:
        return Judgement(Verdict.ON, "apart-empty", Priority.MEDIUM)
    carried = any(pack.role is PackRole.CARRYING for pack in seen.forecast.packs)
    if seen.on_pack and carried and seen.site.arrangement is Arrangement.PARALLEL:
        return Judgement(Verdict.ON, "one-empty", Priority.MEDIUM)
    return None


def pack_not_charging(seen: AlarmEvidence) -> Judgement:
    """On mains, below the limit, and the charge does not rise.

    A pack that is set to charge to 80 % only is fully charged there.
    """
    status = seen.status
    if seen.blind:
        return UNKNOWN
    if seen.on_pack:
        return OFF
    level = compare(seen.row(AlarmKind.PACK_NOT_CHARGING), status.charge_percent)
    if level is not Verdict.ON:
        return Judgement(level)
    if status.supply_since_ms is not None and seen.now_ms - status.supply_since_ms < SETTLE_MS:
        return UNKNOWN
    rate = status.charge_rate_percent_per_h
    if rate is None and status.charge_stood_s is not None and status.charge_stood_s >= STOOD_S:
        rate = 0.0  # heard, and never seen to move
    if rate is None:
        return UNKNOWN
    if rate >= FLAT_PERCENT_PER_H:
        return OFF
    rest, charge = seen.rest_percent, status.charge_percent
    if rest is not None and charge is not None and rest >= LEAST_REST_PERCENT and charge >= rest - REST_STEP_PERCENT:
        return OFF
    hours = seen.forecast.hours_remaining.p10
    low = seen.row(AlarmKind.LOW_RESERVE).limit
    short = hours is not None and low is not None and hours < low
    variant = "several" if lagging_packs(seen) else ""
    return Judgement(Verdict.ON, variant, Priority.HIGH if short else Priority.MEDIUM)


def lagging_packs(seen: AlarmEvidence) -> list[PackNow]:
    """Those of several packs whose charge is below the limit of `pack-not-charging`."""
    limit = seen.row(AlarmKind.PACK_NOT_CHARGING).limit
    told = [(pack, pack.charge_percent) for pack in seen.forecast.packs]
    return [pack for pack, percent in told if limit is not None and percent is not None and percent < limit]


def pack_temperature(seen: AlarmEvidence) -> Judgement:
    """Too warm; or, for lithium, too cold to be charged."""
    warmth = seen.status.pack_temperature_c
    if seen.status.silent or warmth is None:
        return UNKNOWN
    lithium = seen.site.pack.chemistry.is_lithium
    if lithium and warmth < COLD_C:
        return Judgement(Verdict.ON, "cold")
    warm = compare(seen.row(AlarmKind.PACK_TEMPERATURE), warmth)
    if warm is Verdict.OFF and lithium and warmth < COLD_CLEAR_C:
        return HOLD
    return Judgement(warm)


def load_at_rating(seen: AlarmEvidence) -> Judgement:
    """The running power is limited by the pack's rating: the true power may be higher."""
    status = seen.status
    if seen.blind:
        return UNKNOWN
    if status.power_pinned and status.running_since_ms is not None:
        return Judgement(Verdict.ON, run=status.running_since_ms)
    last = status.last_run
    if last is not None and last.clipped:
        return Judgement(Verdict.ON, run=last.start_ms)
    return OFF if last is not None or status.supply is Supply.MAINS else UNKNOWN
