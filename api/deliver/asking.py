"""Acknowledgements received over MQTT, queued as requests to the forecaster, which owns the states of alarms."""

from __future__ import annotations

import logging
from collections.abc import Callable, Collection

import msgspec

from collector.config.errors import nearest
from forecaster.domain.alarms import AlarmKind, AlarmState
from forecaster.domain.names import hidden
from forecaster.domain.ports import Clock, Ledger

log = logging.getLogger("outlast.deliver")

WAITING = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED)
LONGEST_NAME = 80
ACKNOWLEDGE, EVERY_KIND = "acknowledge", "all"


class CommandAnswer(msgspec.Struct):
    """What became of a command.

    acknowledged : int — how many alarms it concerns
    problem : str | None — "unknown-site", "unknown-kind", "unknown-command" or "none-waiting"
    nearest : str | None — the known word that is most similar to an unknown one
    """

    acknowledged: int = 0
    problem: str | None = None
    nearest: str | None = None


def misspelt(sites: Collection[str], site: str, kind: str, command: str) -> CommandAnswer | None:
    """What to answer to a command that names something unknown; None where all is known."""
    for word, known, what in (
        (site, sites, "site"),
        (kind, (*AlarmKind, EVERY_KIND), "kind"),
        (command, (ACKNOWLEDGE,), "command"),
    ):
        if word not in known:
            return CommandAnswer(problem=f"unknown-{what}", nearest=nearest(word.lower(), map(str, known)))
    return None


def acknowledge_kind(ledger: Ledger, clock: Clock, site: str, kind: str, by: str, wake: Callable[[], None]) -> int:
    """Request that a site's open alarms of one kind be acknowledged ("all": of every kind). Returns how many."""
    waiting = [alarm for alarm in ledger.alarms(site, WAITING) if kind in (EVERY_KIND, alarm.kind.value)]
    for alarm in waiting:
        body = msgspec.json.encode({"by": by}).decode()
        ledger.request("acknowledge", alarm.id, body, clock.now_ms())
    if waiting:
        wake()
    log.info("acknowledgement of %s at %s by %s: %d waiting", kind, site, by, len(waiting))
    return len(waiting)


def name_in(payload: bytes, otherwise: str) -> str:
    """The name of the person in a command; `otherwise` where there is none or it cannot be read."""
    try:
        text = payload.decode().strip()
    except UnicodeDecodeError:
        return otherwise
    return text[:LONGEST_NAME] if text and hidden(text) is None else otherwise
