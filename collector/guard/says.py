"""The lines that tell of a doubted channel: what is wrong, and how to mend it."""

from __future__ import annotations

from collections.abc import Sequence

from forecaster.texts.catalogue import words


def refusing(refused: int, heard: int, reason: str) -> str:
    """Many messages are refused."""
    return words()("guard.refusing", refused=refused, heard=heard, reason=reason)


def topics(taken: str, others: Sequence[str]) -> str:
    """Several devices on one channel."""
    return words()("guard.topics", names=", ".join([taken, *others[:3]]), taken=taken)


def one_of_several(taken: str) -> str:
    """Why a reading of another device is withheld."""
    return words()("guard.one_of_several", taken=taken)


def share_for_percent() -> str:
    """A charge of 0..1."""
    return words()("guard.share_for_percent")


def kilowatts(high_w: float, rated_w: float) -> str:
    """Kilowatts told as watts."""
    return words()("guard.kilowatts", high_w=high_w, rated_w=rated_w)


def restless(low_w: float) -> str:
    """A pump that never rests."""
    return words()("guard.restless", low_w=low_w)


def lag(lag_ms: int) -> str:
    """A clock that is off by the same all the time."""
    key = "guard.lag_behind" if lag_ms > 0 else "guard.lag_ahead"
    return words()(key, span=span(abs(lag_ms)))


def ahead(ahead_ms: int) -> str:
    """A time ahead of its arrival that nothing explains."""
    return words()("guard.ahead", ahead_ms=span(ahead_ms))


def span(span_ms: int) -> str:
    """A length of time."""
    minutes = round(span_ms / 60_000)
    if minutes < 120:
        return words()("guard.min", minutes=minutes)
    return f"{minutes / 60:.1f} h".replace(".0 h", " h")


def several(first: str, others: Sequence[str]) -> str:
    """Several topics on one channel, before anybody can say which is right."""
    return words()("guard.several", value=len(others) + 1, names=", ".join([first, *others[:3]]))


def off_by(lag_ms: int) -> str:
    """A clock that is off in everything that just came."""
    key = "guard.off_behind" if lag_ms > 0 else "guard.off_ahead"
    return words()(key, span=span(abs(lag_ms)))


def kilowatt_hours(risen: float, pumped_wh: float) -> str:
    """Kilowatt-hours told as watt-hours."""
    return words()("guard.kilowatt_hours", risen=risen, pumped_wh=pumped_wh)


def chattering(count: int) -> str:
    """A flag that does not rest."""
    return words()("guard.chattering", count=count)


def inverted() -> str:
    """A mains flag that says no while the pack is fed."""
    return words()("guard.inverted")


def stuck_on(first: float, last: float) -> str:
    """A mains flag that says yes while the charge falls."""
    return words()("guard.stuck_on", first=first, last=last)


def leaping(before: float, after: float, apart_ms: int) -> str:
    """A charge that went from one value to another in a time in which no pack can."""
    return words()("guard.leaping", before=before, after=after, seconds=round(apart_ms / 1000.0))


def coarse_counter(step_wh: float) -> str:
    """An energy counter of wide steps."""
    return words()("guard.coarse_counter", step_wh=step_wh)


def of_another(topic: str, name: str) -> str:
    """A device that a wildcard takes and another channel names."""
    return words()("guard.of_another", topic=topic, name=name)
