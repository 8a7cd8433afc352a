"""The alarms of an outage as they would be told now: the same words, with the present end in place of the one then."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from forecaster.alarms.evidence import AlarmEvidence, Outside
from forecaster.alarms.grouping import OUTAGE
from forecaster.alarms.telling import AlarmWords, Voice
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState
from forecaster.domain.forecast import Forecast
from forecaster.domain.runs import Supply
from forecaster.domain.site import Site
from forecaster.domain.status import SiteStatus
from forecaster.texts.catalogue import Words
from forecaster.texts.rereading import reread
from forecaster.texts.wording import Wording, named, unnamed


def retold(
    alarm: Alarm, site: Site, forecast: Forecast | None, words: Words, now_ms: int, *, rehearsed: bool = False
) -> AlarmWords | None:
    """An alarm of an outage that stands, told anew on the forecast of now; None for any other.

    rehearsed : the outage began as a discharge test
    """
    stands = alarm.cleared_ms is None and alarm.kind in OUTAGE
    if not stands or forecast is None or forecast.supply is not Supply.PACK:
        return None
    seen = AlarmEvidence(
        site=site,
        limits=site.alarms,
        status=status_of(forecast, now_ms),
        forecast=forecast,
        outside=Outside(),
        now_ms=now_ms,
        first_ms=alarm.raised_ms,
        heard_ms=alarm.raised_ms,
    )
    variant = "" if alarm.kind is not AlarmKind.MAINS_LOST else variant_of(forecast, rehearsed=rehearsed)
    return Voice(site, Wording.of(site, words, zoned=True)).tell(alarm.kind, variant, seen, alarm.raised_ms)


def read_by(alarm: Alarm, site_name: str, words: Words) -> Alarm:
    """An alarm as it was told, in its reader's language, and with times and temperatures as its reader asked for."""
    said = alarm.said_in(words.code)
    bare = unnamed(said.headline, site_name, words)
    headline = reread(bare, words)
    return replace(
        said,
        headline=headline if bare == said.headline else named(headline, site_name, words),
        action=reread(said.action, words),
        consequence=reread(said.consequence, words),
    )


def variant_of(forecast: Forecast, *, rehearsed: bool) -> str:
    """The wording of a lost mains that fits."""
    if rehearsed:
        return "test"
    return "inferred" if forecast.supply_inferred else ""


def status_of(forecast: Forecast, now_ms: int) -> SiteStatus:
    """What a forecast tells of the moment; all that the words of an outage ask for."""
    return SiteStatus(
        site=forecast.site,
        at_ms=now_ms,
        supply=forecast.supply,
        supply_inferred=forecast.supply_inferred,
        supply_since_ms=forecast.supply_since_ms,
        data_age_s=forecast.data_age_s,
        silent=False,
        charge_percent=forecast.charge_percent,
    )


def gravest_first(alarms: Iterable[Alarm]) -> list[Alarm]:
    """Alarms in the order of who must act on them first.

    Shelved ones last, then those that are over; by priority; of an outage's chapters the gravest that stands speaks
    before the milder ones, which it covers; then the one to act on first.
    """
    found = list(alarms)
    standing = [OUTAGE.index(alarm.kind) for alarm in found if alarm.kind in OUTAGE and alarm.cleared_ms is None]
    newest = max(standing, default=0)

    def order(alarm: Alarm) -> tuple[bool, bool, int, bool, float, int]:
        covered = alarm.kind in OUTAGE and OUTAGE.index(alarm.kind) < newest
        by_ms = float("inf") if alarm.by_ms is None else float(alarm.by_ms)
        shelved, over = alarm.state is AlarmState.SHELVED, alarm.cleared_ms is not None
        return (shelved, over, -alarm.priority.rank, covered, by_ms, alarm.raised_ms)

    return sorted(found, key=order)
