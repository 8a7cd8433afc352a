"""Sensor Measurement Lists in JSON (RFC 8428): a pack resolved into records that stand alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from collector.decode.values import number, shown
from forecaster.domain.errors import PayloadError
from forecaster.texts.catalogue import words

VERSION = 10
"""The greatest base version that is understood (RFC 8428 section 4.4)."""

ABSOLUTE_FROM_S = 2.0**28
"""A time below this is relative to now (RFC 8428 section 4.5.3) [s]."""

BASES = {"bn", "bt", "bu", "bv", "bs", "bver"}
FIELDS = BASES | {"n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"}


@dataclass(frozen=True, slots=True)
class SenmlRecord:
    """One resolved record.

    name, own_name : str — the whole name, and the part that the record itself gave
    unit : str | None — SenML unit symbol
    value : float | str | bool | None — v, vs or vb; None where only a sum or binary data is given
    sum : float | None — integral of the value over time
    time_s : float — seconds since 1970, or relative to now below 2^28; 0 where none is given
    """

    name: str
    own_name: str
    unit: str | None
    value: float | str | bool | None
    sum: float | None
    time_s: float

    def time_ms(self, now_ms: int) -> int | None:
        """UTC milliseconds; None where the pack gives no time."""
        if self.time_s == 0.0:
            return None
        if self.time_s < ABSOLUTE_FROM_S:
            return now_ms + round(self.time_s * 1000)
        return round(self.time_s * 1000)


def looks_like_pack(value: Any) -> bool:
    """Whether a JSON value has the form of a SenML pack: an array of objects whose names are SenML's."""
    return (
        type(value) is list
        and bool(value)
        and all(type(r) is dict and (FIELDS & r.keys()) for r in value)
        and any(r.keys() & {"n", "bn"} for r in value)
    )


def resolve(pack: Any) -> list[SenmlRecord]:
    """The records of a pack, in order. PayloadError where it is not a sound pack."""
    if type(pack) is not list or not all(type(record) is dict for record in pack):
        raise PayloadError(words()("payload.the_payload_is_not_a_senml"))
    base_name, base_unit = "", None
    base_time = base_value = base_sum = 0.0
    records = []
    for record in pack:
        _refuse_unknown(record)
        base_name = _text(record, "bn", base_name) or ""
        base_unit = _text(record, "bu", base_unit)
        base_time = _number(record, "bt", base_time)
        base_value = _number(record, "bv", base_value)
        base_sum = _number(record, "bs", base_sum)
        own = _text(record, "n", "") or ""
        if not record.keys() & {"v", "vs", "vb", "vd", "s", "bv", "bs"}:
            continue  # a record that only sets bases
        total = _number(record, "s", 0.0) + base_sum if record.keys() & {"s", "bs"} else None
        records.append(
            SenmlRecord(
                name=base_name + own,
                own_name=own,
                unit=_text(record, "u", base_unit),
                value=_value(record, base_value),
                sum=total,
                time_s=base_time + _number(record, "t", 0.0),
            )
        )
    return records


def _refuse_unknown(record: dict[str, Any]) -> None:
    if "bver" in record and _number(record, "bver", VERSION) > VERSION:
        raise PayloadError(
            words()("payload.senml_version_is_newer_than", record=shown(record["bver"]), version=VERSION)
        )
    for label in record:
        if label.endswith("_") and label not in FIELDS:
            raise PayloadError(words()("payload.senml_field_must_be_understood_and", label=shown(label)))


def _value(record: dict[str, Any], base: float) -> float | str | bool | None:
    if "v" in record or ("bv" in record and not record.keys() & {"vs", "vb", "vd"}):
        return _number(record, "v", 0.0) + base
    if "vb" in record:
        if type(record["vb"]) is not bool:
            raise PayloadError(words()("payload.senml_field_vb_is_neither_true"))
        return bool(record["vb"])
    return _text(record, "vs", None)


def _number(record: dict[str, Any], label: str, missing: float) -> float:
    value = record.get(label, missing)
    if type(value) is not int and type(value) is not float:
        raise PayloadError(words()("payload.senml_field_is_not_a_number", label=label))
    return number(value)


def _text(record: dict[str, Any], label: str, missing: str | None) -> str | None:
    value = record.get(label, missing)
    if value is not None and type(value) is not str:
        raise PayloadError(words()("payload.senml_field_is_not_text", label=label))
    return value
