"""How the fields of a dataclass appear in its document: declared once, beside the field.

A field of a document's dataclass carries what its type does not say in its metadata, `written(...)`. The writer of the
document, its reader and the schema of the HTTP answer are all made from `members(cls)`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from typing import Any, get_args, get_origin, get_type_hints

_KEY = "outlast.document"
_MOMENT = "_ms"


@dataclass(frozen=True, slots=True)
class _Written:
    """The arguments of `written`."""

    digits: int | None
    share: bool
    later: bool
    then: tuple[str, ...]
    says: str


def written(
    digits: int | None = None, *, share: bool = False, later: bool = False, then: tuple[str, ...] = (), says: str = ""
) -> Mapping[str, Any]:
    """The metadata of a field that appears in a document.

    digits : decimal places that a number is rounded to; a number that is not finite is then written as null
    share : whether the number is a share or a chance, 0..1
    later : whether older documents lack it, so that its default is used when one is read
    then : further members that the document computes and writes after this one
    says : its description in the schema, where name and type are not enough
    """
    return {_KEY: _Written(digits, share, later, then, says)}


@dataclass(frozen=True, slots=True)
class Member:
    """One member of a document.

    attribute, key : its name in the dataclass and in the document: a time, `…_ms`, loses its unit there
    type : the type of one value: str, bool, int, float, an enumeration, or a class with members of its own
    part : whether that is a class with members
    many : whether the document has a list of them
    optional : whether it may be null
    moment : whether it is a time: UTC milliseconds in the dataclass, RFC 3339 in the document
    default : its default in the dataclass; None where it has none
    digits, share, later, then, says : the arguments of `written`
    """

    attribute: str
    key: str
    type: Any
    part: bool
    many: bool
    optional: bool
    moment: bool
    default: Any
    digits: int | None
    share: bool
    later: bool
    then: tuple[str, ...]
    says: str


def members(cls: type) -> tuple[Member, ...]:
    """The members of a dataclass's document, in their order there."""
    hints = get_type_hints(cls)
    return tuple(_member(field, hints[field.name]) for field in fields(cls))


def _member(field: Field[Any], hint: Any) -> Member:
    told: _Written = field.metadata.get(_KEY) or _Written(None, False, False, (), "")
    optional = type(None) in get_args(hint)
    if optional:
        (hint,) = (one for one in get_args(hint) if one is not type(None))
    many = get_origin(hint) is tuple
    kind = get_args(hint)[0] if many else hint
    moment = field.name.endswith(_MOMENT)
    return Member(
        attribute=field.name,
        key=field.name.removesuffix(_MOMENT) if moment else field.name,
        type=kind,
        part=is_dataclass(kind),
        many=many,
        optional=optional,
        moment=moment,
        default=None if field.default is MISSING else field.default,
        digits=told.digits,
        share=told.share,
        later=told.later,
        then=told.then,
        says=told.says,
    )
