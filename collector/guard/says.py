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
