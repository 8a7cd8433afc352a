"""The lines that tell of a doubted channel: what is wrong, and how to mend it."""

from __future__ import annotations

from collections.abc import Sequence


def refusing(refused: int, heard: int, reason: str) -> str:
    """Many messages are refused."""
    return f"{refused} of its last {heard} messages are refused, so the rest is no sample; the last: {reason}"


def topics(taken: str, others: Sequence[str]) -> str:
    """Several devices on one channel."""
    return (
        f"it hears {', '.join([taken, *others[:3]])}; only {taken} is taken: "
        "write the one topic of the right device in `topic`, without + or #"
    )


def one_of_several(taken: str) -> str:
    """Why a reading of another device is withheld."""
    return f"the channel hears several devices and takes {taken} only; write the right device's topic in `topic`"


def share_for_percent() -> str:
    """A charge of 0..1."""
    return 'the charge never passes 1: it looks like a share from 0 to 1; write unit = "ratio" in the channel'


def kilowatts(high_w: float, rated_w: float) -> str:
    """Kilowatts told as watts."""
    return (
        f"at most {high_w:g} W for a pump of about {rated_w:.0f} W: it looks like kilowatts; "
        'write unit = "kW" in the channel'
    )


def restless(low_w: float) -> str:
    """A pump that never rests."""
    return (
        f"the power has never been below {low_w:.0f} W: a pump rests between runs; "
        "is this another device, or the whole house?"
    )


def lag(lag_ms: int) -> str:
    """A clock that is off by the same all the time."""
    way = "behind" if lag_ms > 0 else "ahead"
    return (
        f"the device's clock is {span(abs(lag_ms))} {way}, always by the same, and is set right here; "
        "does it write local time as UTC? set its zone or clock"
    )


def ahead(ahead_ms: int) -> str:
    """A time ahead of its arrival that nothing explains."""
    return f"the source time is {span(ahead_ms)} ahead of its arrival; is the source's clock right?"


def span(span_ms: int) -> str:
    """A length of time."""
    minutes = round(span_ms / 60_000)
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes / 60:.1f} h".replace(".0 h", " h")


def several(first: str, others: Sequence[str]) -> str:
    """Several topics on one channel, before anybody can say which is right."""
    return (
        f"it hears {len(others) + 1} topics, {', '.join([first, *others[:3]])}: two devices would be mixed; "
        "write the one topic of the right device in `topic`, without + or #"
    )


def off_by(lag_ms: int) -> str:
    """A clock that is off in everything that just came."""
    way = "behind" if lag_ms > 0 else "ahead of"
    return (
        f"each message's own time is {span(abs(lag_ms))} {way} its arrival: the device's clock or zone is wrong; "
        'set it, or with a time that has no offset write naive_time = "site", or remove `time`'
    )


def kilowatt_hours(risen: float, pumped_wh: float) -> str:
    """Kilowatt-hours told as watt-hours."""
    return (
        f"it rose by {risen:g} Wh while the power came to {pumped_wh:.1f} Wh: it looks like kilowatt-hours; "
        'write unit = "kWh" in the channel'
    )


def chattering(count: int) -> str:
    """A flag that does not rest."""
    return f"it changed again and again within {count} messages: a loose contact, or two devices on one topic"


def inverted() -> str:
    """A mains flag that says no while the pack is fed."""
    return (
        "it says that the mains is away while the pack is fed or stays full; if the mains is there, swap the words: "
        'true = ["OFF", 0] and false = ["ON", 1], as the device writes them'
    )


def stuck_on(first: float, last: float) -> str:
    """A mains flag that says yes while the charge falls."""
    return (
        f"it says that the mains is there while the charge falls from {first:g} to {last:g} %: is it the pack's own "
        "input that it looks at, and does it ever change?"
    )
