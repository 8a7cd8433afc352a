"""Early escalation: where nobody before them could be reached, the next contact is told at once. Pure."""

from __future__ import annotations

from forecaster.alarms.absence import contacts_at
from forecaster.alarms.plan import due_ms_of
from forecaster.alarms.settlement import Settlement
from forecaster.domain.alarms import Alarm, AlarmState
from forecaster.domain.site import Site


def brought_forward(site: Site, alarm: Alarm, settled: Settlement, now_ms: int) -> dict[str, int]:
    """Which of the next contacts are to be told earlier than planned, and when [UTC milliseconds].

    Their quiet hours apply as to any present message. Nobody is told early of an alarm that somebody has seen.
    """
    if alarm.state is not AlarmState.UNACKNOWLEDGED:
        return {}
    contacts = contacts_at(site, now_ms)
    turn_min = {contact.name: contact.after_min for contact in contacts}
    early: dict[str, int] = {}
    for contact in contacts:
        waits_ms = settled.waiting_ms.get(contact.name)
        before = {who for who in settled.people if turn_min.get(who, 0.0) < contact.after_min}
        if waits_ms is None or not before or not before <= settled.in_vain:
            continue
        due_ms = due_ms_of(site, alarm, contact, now_ms)
        if due_ms < waits_ms:
            early[contact.name] = due_ms
    return early
