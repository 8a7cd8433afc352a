"""A message in the OASIS Common Alerting Protocol 1.2, for receivers that already understand it.

Element order, required elements and code words from OASIS CAP-v1.2 (1 July 2010), sections 3.2 and 3.4.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from xml.etree import ElementTree

from forecaster.alarms.plan import AlarmMessage
from forecaster.domain.alarms import AlarmKind, AlarmState, Priority, TransitionKind
from forecaster.domain.site import Site
from forecaster.texts.catalogue import words

NAMESPACE = "urn:oasis:names:tc:emergency:cap:1.2"
SEVERITY = {
    Priority.CRITICAL: "Severe",
    Priority.HIGH: "Moderate",
    Priority.MEDIUM: "Minor",
    Priority.LOW: "Minor",
}
OBSERVED = frozenset(
    {
        AlarmKind.MAINS_LOST,
        AlarmKind.RESERVE_REACHED,
        AlarmKind.HIGH_WATER,
        AlarmKind.PUMP_OVERRUN,
        AlarmKind.LOAD_AT_RATING,
        AlarmKind.PACK_TEMPERATURE,
        AlarmKind.TELEMETRY_SILENT,
        AlarmKind.DELIVERY_FAILING,
    }
)
NEAR_MS = 3_600_000
VALID_MS = 24 * 3_600_000
ADDRESSEE = "contact"
"""Scope Private needs an addressee (CAP 1.2, section 3.2.1); a person's name is not handed on to receivers."""


def cap_time(at_ms: int) -> str:
    """A time as CAP 1.2 requires it: numeric offset, no fraction, `2026-03-03T16:02:00-00:00` for UTC."""
    return datetime.fromtimestamp(at_ms // 1000, UTC).strftime("%Y-%m-%dT%H:%M:%S-00:00")


def cap_word(text: str) -> str:
    """A text made fit for an identifier or reference of CAP: without spaces, commas, < and &."""
    return re.sub(r"[\s,<&]+", "-", text)


def cap_alert(message: AlarmMessage, site: Site | None, sender: str) -> bytes:
    """The message as a CAP 1.2 alert document.

    sender : str — names this installation alone: an identifier is unique within its sender (section 3.2.1)
    """
    alarm = message.alarm
    alert = ElementTree.Element("alert", {"xmlns": NAMESPACE})

    def add(parent: ElementTree.Element, name: str, text: str) -> None:
        ElementTree.SubElement(parent, name).text = text

    over = alarm.cleared_ms is not None or alarm.state is AlarmState.NORMAL
    first = message.transition is TransitionKind.RAISED and alarm.revision == 0
    add(alert, "identifier", cap_word(message.key))
    add(alert, "sender", cap_word(sender))
    add(alert, "sent", cap_time(message.at_ms))
    add(alert, "status", "Test" if message.test else "Actual")
    add(alert, "msgType", "Alert" if first or message.test else "Cancel" if over else "Update")
    add(alert, "scope", "Private")
    add(alert, "addresses", ADDRESSEE)
    if not first and not message.test:
        begun = cap_word(f"{alarm.id}:0")
        add(alert, "references", f"{cap_word(sender)},{begun},{cap_time(alarm.raised_ms)}")
    info = ElementTree.SubElement(alert, "info")
    add(info, "language", message.language)
    add(info, "category", "Infra")
    add(info, "event", words(message.language)(f"alarms.kind.{alarm.kind.value}"))
    add(info, "responseType", "AllClear" if over else "Execute")
    add(info, "urgency", "Past" if over else _urgency(message))
    add(info, "severity", SEVERITY[alarm.priority])
    add(info, "certainty", "Observed" if alarm.kind in OBSERVED else "Likely")
    code = ElementTree.SubElement(info, "eventCode")
    add(code, "valueName", "outlast:kind")
    add(code, "value", alarm.kind.value)
    add(info, "effective", cap_time(message.at_ms))
    add(info, "expires", cap_time(message.at_ms + VALID_MS))
    add(info, "senderName", "Outlast")
    add(info, "headline", alarm.headline)
    if alarm.consequence:
        add(info, "description", alarm.consequence)
    add(info, "instruction", alarm.action)
    for name, value in (("id", alarm.id), ("state", alarm.state.value), ("revision", str(alarm.revision))):
        parameter = ElementTree.SubElement(info, "parameter")
        add(parameter, "valueName", name)
        add(parameter, "value", value)
    area = ElementTree.SubElement(info, "area")
    add(area, "areaDesc", message.site_name)
    if site is not None and site.latitude is not None and site.longitude is not None:
        add(area, "circle", f"{site.latitude},{site.longitude} 0.1")
    document: bytes = ElementTree.tostring(alert, encoding="utf-8", xml_declaration=True)
    return document


def _urgency(message: AlarmMessage) -> str:
    alarm = message.alarm
    if alarm.by_ms is None or alarm.priority is Priority.LOW:
        return "Future"
    return "Immediate" if alarm.by_ms - message.at_ms <= NEAR_MS else "Expected"
