"""The rule about channels that were never heard, are refused, or have not changed since the first message."""

from __future__ import annotations

from forecaster.alarms.evidence import OFF, UNKNOWN, AlarmEvidence, Judgement, Verdict
from forecaster.alarms.rules_supply import LEAST_REST_PERCENT
from forecaster.domain.quantities import Quantity
from forecaster.domain.status import QuantityAge
from forecaster.domain.times import HOUR_MS

UNHEARD_MS, UNHEARD_RARE_MS = HOUR_MS, 24 * HOUR_MS
"""How long a channel may be unheard before it is reported [ms]; longer for one that may report only changes."""
DRY_MS = 14 * 24 * HOUR_MS
"""A rain gauge may have nothing to report for this long [ms]."""
STANDS_S = 12 * 3600.0
RARE = frozenset({Quantity.HIGH_WATER, Quantity.MAINS_PRESENT, Quantity.PIT_FLOAT, Quantity.PUMP_RUNNING})
RAIN = frozenset({Quantity.RAIN_DEPTH, Quantity.RAIN_RATE})


def channel_failing(seen: AlarmEvidence) -> Judgement:
    """A channel that was set up and does not do its work, while the rest of the house is heard."""
    if seen.blind or seen.status.data_age_s is None:
        return UNKNOWN  # the whole house is silent: that has its own alarm
    if seen.outside.refused:
        return Judgement(Verdict.ON, "refused")
    if unheard(seen):
        return Judgement(Verdict.ON, "never")
    if charge_stands(seen):
        return Judgement(Verdict.ON, "stands")
    return OFF


def unheard(seen: AlarmEvidence) -> list[QuantityAge]:
    """Quantities of channels that were never heard, for longer than their kind explains."""
    return [age for age in seen.status.ages if age.age_s is None and _waited_ms(seen, age) > _patience_ms(age)]


def _waited_ms(seen: AlarmEvidence, age: QuantityAge) -> int:
    return seen.now_ms - seen.asked_ms.get(channel_name(age), seen.now_ms)


def channel_name(age: QuantityAge) -> str:
    """The quantity, with the load that it measures, as one name."""
    return f"{age.quantity.value}:{age.subject}" if age.subject else age.quantity.value


def _patience_ms(age: QuantityAge) -> int:
    if age.quantity in RAIN:
        return DRY_MS
    return UNHEARD_RARE_MS if age.quantity in RARE else UNHEARD_MS


def charge_stands(seen: AlarmEvidence) -> bool:
    """Whether a partial charge has not changed on mains since it was first heard: it is stuck, or never charged."""
    status = seen.status
    if seen.on_pack or status.charge_percent is None or status.charge_rate_percent_per_h is not None:
        return False
    stood_s = status.charge_stood_s
    return stood_s is not None and stood_s >= STANDS_S and status.charge_percent < LEAST_REST_PERCENT
