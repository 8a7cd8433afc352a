"""The outcome of the messages about an alarm, by person: delivered, on the way, or failed. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from forecaster.domain.records import Notice, NoticeOutcome

TRIES_IN_VAIN = 2
"""Failed attempts after which an address counts as failing: one may be accidental (this project's own choice)."""


@dataclass(frozen=True, slots=True)
class Settlement:
    """The outcomes of one alarm's messages to people.

    people : frozenset[str] — everybody to whom messages about it were planned
    heard_ms : int | None — when a person's receiver last accepted one [UTC milliseconds]
    in_vain : frozenset[str] — those of these people for whom every address failed
    waiting_ms : Mapping[str, int] — by person not tried yet, when the message is due [UTC milliseconds]
    """

    people: frozenset[str] = frozenset()
    heard_ms: int | None = None
    in_vain: frozenset[str] = frozenset()
    waiting_ms: Mapping[str, int] = field(default_factory=dict)

    @property
    def unheard(self) -> bool:
        """Whether messages were tried and no receiver accepted any."""
        return self.heard_ms is None and bool(self.in_vain)


def settlement(notices: Iterable[Notice]) -> dict[str, Settlement]:
    """The settlement of every alarm in these notices, by id. Alarms of which nobody was to be told are left out."""
    by_alarm: dict[str, list[Notice]] = {}
    for notice in notices:
        by_alarm.setdefault(notice.alarm_id, []).append(notice)
    return {alarm_id: _settled(told) for alarm_id, told in by_alarm.items()}


def _settled(notices: list[Notice]) -> Settlement:
    people = {notice.who for notice in notices}
    by_person = {who: [notice for notice in notices if notice.who == who] for who in people}
    taken = [notice.at_ms for notice in notices if notice.outcome is NoticeOutcome.TOLD]
    return Settlement(
        people=frozenset(people),
        heard_ms=max(taken, default=None),
        in_vain=frozenset(who for who, told in by_person.items() if _in_vain(told)),
        waiting_ms={
            who: max(notice.at_ms for notice in told if notice.outcome is NoticeOutcome.WAITING)
            for who, told in by_person.items()
            if {notice.outcome for notice in told} <= {NoticeOutcome.WAITING, NoticeOutcome.NEEDLESS}
            and any(notice.outcome is NoticeOutcome.WAITING for notice in told)
        },
    )


def _in_vain(notices: list[Notice]) -> bool:
    """Whether all addresses of a person failed: each was given up or tried often enough, and none was ever reached."""
    by_channel: dict[str, list[Notice]] = {}
    for notice in notices:
        by_channel.setdefault(notice.channel, []).append(notice)
    return not any(notice.outcome is NoticeOutcome.TOLD for notice in notices) and all(
        any(one.outcome is NoticeOutcome.FAILED for one in tried) or sum(one.attempts for one in tried) >= TRIES_IN_VAIN
        for tried in by_channel.values()
    )
