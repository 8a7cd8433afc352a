"""What a reader who is far away can do: whom to call. Names and numbers are sent to people only, never to hubs."""

from __future__ import annotations

from collections.abc import Sequence

from forecaster.domain.alarms import Alarm, AlarmKind
from forecaster.domain.site import Contact
from forecaster.texts.catalogue import Words

AT_THE_COMPUTER = frozenset({AlarmKind.CLOCK_SUSPECT, AlarmKind.DELIVERY_FAILING, AlarmKind.TEST_DUE})
"""Kinds for which nobody has to be at the house."""


def afar_of(alarm: Alarm, contacts: Sequence[Contact], words: Words, reader: str = "") -> str:
    """Whom to call about an alarm that stands; "" where nobody has to be at the house, or it is over.

    reader : str — name of the contact who reads it, who is not asked to call himself
    """
    if alarm.cleared_ms is not None or alarm.kind in AT_THE_COMPUTER:
        return ""
    others = [contact for contact in contacts if contact.phone and contact.name != reader]
    if not others:
        return words("alarm.afar.nobody")
    people = [words("alarm.afar.person", name=contact.name, phone=contact.phone) for contact in others]
    return words("alarm.afar.call", people=", ".join(people))
