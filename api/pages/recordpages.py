"""Outages, alarms of the past, and the health of the telemetry."""

from __future__ import annotations

from api.pages.contexts import LogLine
from api.pages.ports import PagePorts
from api.pages.recordcontexts import ChannelLine, OutageLine, RefusalLine
from forecaster.alarms.present import read_by
from forecaster.domain.alarms import OPEN, TransitionKind
from forecaster.domain.quantities import SPECS, STATES
from forecaster.domain.runs import Outage
from forecaster.domain.site import Channel, Site
from forecaster.domain.times import HOUR_MS
from forecaster.outage.story import outages_told
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording

PAYLOAD_SHOWN = 200
RETOLD = (TransitionKind.UPDATED, TransitionKind.REMINDED)


def outage_page(ports: PagePorts, site: Site, words: Words) -> tuple[OutageLine, ...]:
    """Every outage, newest first."""
    now_ms = ports.clock.now_ms()
    wording = Wording.of(site, words)
    outages = outages_told(ports.store, ports.ledger, site, now_ms)
    return tuple(outage_line(outage, wording, words, now_ms) for outage in outages)


def outage_line(outage: Outage, wording: Wording, words: Words, now_ms: int) -> OutageLine:
    """One outage in words."""
    end_ms = outage.end_ms
    lasted_h = ((end_ms if end_ms is not None else now_ms) - outage.start_ms) / HOUR_MS
    return OutageLine(
        id=str(outage.start_ms),
        start=wording.clock(outage.start_ms, now_ms),
        end=words("outages.still") if end_ms is None else wording.clock(end_ms, now_ms),
        length=wording.hours(lasted_h),
        lowest=wording.percent(outage.lowest_charge_percent),
        used=words("outages.lasts") if end_ms is None else wording.energy(outage.energy_used_wh),
        forecast=forecast_said(outage, wording, words),
        happened=happened(outage, wording, words),
        rehearsal=outage.rehearsal,
    )


def forecast_said(outage: Outage, wording: Wording, words: Words) -> str:
    """What was forecast of an outage."""
    if outage.forecast_h is None:
        return words("outages.not_forecast")
    low, middle, high = outage.forecast_h
    return words("outages.forecast_says", middle=wording.hours(middle), range=wording.hours_range(low, high))


def happened(outage: Outage, wording: Wording, words: Words) -> str:
    """What came of an outage."""
    if outage.reached_reserve_ms is not None:
        after = wording.hours((outage.reached_reserve_ms - outage.start_ms) / HOUR_MS)
        return words("outages.reached", after=after)
    if outage.end_ms is None:
        return words("outages.lasts")
    return words("outages.returned", after=wording.hours((outage.end_ms - outage.start_ms) / HOUR_MS))


def alarm_log(ports: PagePorts, site: Site, words: Words, days: int = 90) -> tuple[LogLine, ...]:
    """Changes of alarms that are over, newest first, without retellings; what is open stands above it."""
    now_ms = ports.clock.now_ms()
    wording = Wording.of(site, words)
    still = {alarm.id for alarm in ports.ledger.alarms(site.id, OPEN, 500)}
    changes = ports.ledger.transitions(site.id, now_ms - days * 24 * HOUR_MS, now_ms + 1, 1000)
    return tuple(
        LogLine(
            wording.clock(change.at_ms, now_ms),
            wording.local(change.at_ms).isoformat(timespec="seconds"),
            f"{words(f'alarms.kind.{change.alarm.kind.value}')}: {words(f'alarms.change.{change.kind.value}')}. "
            f"{read_by(change.alarm, site.name, words).headline}",
            "alarm",
        )
        for change in changes
        if change.alarm.id not in still and change.kind not in RETOLD
    )


def channel_page(ports: PagePorts, site: Site, words: Words) -> tuple[ChannelLine, ...]:
    """Every channel with its newest value and age."""
    now_ms = ports.clock.now_ms()
    wording = Wording.of(site, words)
    latest = ports.store.latest(site.id)
    lines: list[ChannelLine] = []
    for channel in site.channels:
        reading = latest.get((channel.quantity, channel.of))
        age_s = None if reading is None else max(0.0, (now_ms - reading.time_ms) / 1000.0)
        limit_s = channel.max_silence_s
        lines.append(
            ChannelLine(
                quantity=channel_name(channel, words),
                topic=channel.topic,
                path=channel.value or words("telemetry.whole"),
                value=words("telemetry.none") if reading is None else said(reading.value, channel, wording, words),
                age=wording.ago(age_s),
                limit=words("telemetry.no_limit") if limit_s is None else wording.duration(limit_s),
                stale=age_s is not None and limit_s is not None and age_s > limit_s,
                never=reading is None,
            )
        )
    return tuple(lines)


def channel_name(channel: Channel, words: Words) -> str:
    """The channel's quantity in words, with the load that it measures."""
    name = words(f"quantity.{channel.quantity.value}")
    return f"{name} ({channel.of})" if channel.of else name


def said(value: float, channel: Channel, wording: Wording, words: Words) -> str:
    """A stored value as text in the site's units."""
    if channel.quantity in STATES:
        return words("telemetry.yes" if value else "telemetry.no")
    return wording.stored(value, SPECS[channel.quantity].unit)


def refusal_page(ports: PagePorts, site: Site, words: Words) -> tuple[RefusalLine, ...]:
    """What was refused of the site's messages, newest first."""
    now_ms = ports.clock.now_ms()
    wording = Wording.of(site, words)
    return tuple(
        RefusalLine(
            wording.clock(refusal.arrived_ms, now_ms),
            refusal.topic,
            refusal.payload[:PAYLOAD_SHOWN].decode("utf-8", "replace"),
            words.line(refusal.reason),
        )
        for refusal in ports.ledger.refusals(site.id, 50)
    )
