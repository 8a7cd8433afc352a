"""Domain dataclasses as JSON bodies and back. Unknown fields of a newer release are ignored."""

from __future__ import annotations

import zlib
from base64 import b64decode, b64encode
from typing import TypeVar

import msgspec

from forecaster.decoding.typed import from_json
from forecaster.domain.alarms import Alarm, AlarmTransition
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.errors import StoreRefused
from forecaster.domain.longrecord import Day, WorkDone
from forecaster.domain.runs import Event, Gap, Outage, Run, Transfer
from forecaster.texts.catalogue import words

EVENT_KINDS: dict[str, type[Event]] = {"run": Run, "gap": Gap, "transfer": Transfer, "outage": Outage}
T = TypeVar("T")

LONG_PARTS = ("survival", "drain_path")
"""The long lists of a forecast document."""

EMPTY = b"[]"

PACKED = "zlib:"
"""How a packed text begins; a JSON document never does."""


def body(thing: Event | Alarm | AlarmTransition | DischargeTest | Day | WorkDone) -> str:
    """A dataclass as JSON. StoreRefused where a number in it is not finite."""
    text = msgspec.json.encode(thing)
    if b"null" in text:
        _refuse_lost_numbers(thing)
    return text.decode()


def read(text: str, kind: type[T]) -> T:
    """A dataclass from its JSON body. StoreRefused where the body does not fit."""
    try:
        return from_json(text, kind)
    except msgspec.DecodeError as error:
        raise StoreRefused(words()("store.a_kept_cannot_be_read", kind=kind.__name__, error=str(error))) from error


def packed(text: str) -> str:
    """A long text compressed with zlib (RFC 1950), in base64: a past forecast shrinks to a fifth."""
    return PACKED + b64encode(zlib.compress(text.encode())).decode("ascii")


def unpacked(text: str) -> str:
    """The text of a packed one, or a text that was not packed. StoreRefused where it is damaged."""
    if not text.startswith(PACKED):
        return text
    try:
        return zlib.decompress(b64decode(text.removeprefix(PACKED))).decode()
    except (ValueError, zlib.error) as error:
        raise StoreRefused(words()("store.a_kept_forecast_cannot_be_read", error=str(error))) from error


def brief_of(document: str) -> str | None:
    """A forecast document with its long lists emptied; None where it has none, so that the document itself is brief."""
    try:
        parts = from_json(document, dict[str, msgspec.Raw])
    except msgspec.DecodeError:
        return None
    long = [name for name in LONG_PARTS if len(bytes(parts.get(name, b""))) > len(EMPTY)]
    if not long:
        return None
    return msgspec.json.encode({**parts, **dict.fromkeys(long, msgspec.Raw(EMPTY))}).decode()


def _refuse_lost_numbers(thing: object) -> None:
    """Refuse NaN: JSON has none and would keep it as "not known"."""
    plain = msgspec.to_builtins(thing)
    stack = [plain]
    while stack:
        item = stack.pop()
        if isinstance(item, float) and item - item != 0.0:
            raise StoreRefused(words()("store.a_holds_a_number_that_is", name=type(thing).__name__))
        if isinstance(item, dict):
            stack.extend(item.values())
        elif isinstance(item, list | tuple):
            stack.extend(item)


SUBJECT = 64
"""The longest subject of an event [letters]; a site has one second pump at a time, so that its name may be cut."""


def _subject(event: Event) -> str:
    """What else tells an event apart: the quantity of a gap, and the second pump, where it is about that one."""
    if isinstance(event, Gap):
        return "/".join(filter(None, (event.quantity.value, event.pump)))[:SUBJECT]
    return event.pump if isinstance(event, Run) else ""


def event_row(event: Event) -> dict[str, str | int | float | None]:
    """The columns of an event."""
    kind = next(name for name, cls in EVENT_KINDS.items() if isinstance(event, cls))
    start = event.at_ms if isinstance(event, Transfer) else event.start_ms
    subject = _subject(event)
    length_s, energy_wh = (event.run_s, event.energy_wh) if isinstance(event, Run) else (None, None)
    return {
        "site": event.site,
        "kind": kind,
        "start_ms": start,
        "subject": subject,
        "length_s": length_s,
        "energy_wh": energy_wh,
        "body": body(event),
    }
