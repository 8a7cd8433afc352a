"""Names and other lines that people read: nothing in them hides, moves what stands beside it, or begins a new line.

What nobody sees can make two names look the same, turn a text around on a page, or write on a terminal (Unicode
Technical Report 36). Where a person may mend it, it is refused; what is known already, or is written by strangers, is
shown with an escape in its place.
"""

from __future__ import annotations

import unicodedata

HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""General categories of controls, formats (among them all that turn the direction), surrogates, private and unassigned
signs, and separators of lines (The Unicode Standard, chapter 4.5). A tabulator alone is seen, as a blank."""

BLANK = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u180b\u180c\u180d\u180f\u2800\u3164\uffa0")
"""Signs of other categories that are drawn as nothing (Default_Ignorable_Code_Point, and the empty Braille cell)."""

NON_JOINER, JOINER = "\u200c", "\u200d"
VARIANTS = range(0xFE00, 0xFE10)
VIRAMA = 9
"""The combining class of signs after which a joiner has a meaning (RFC 5892, appendix A.1 and A.2)."""


def hidden(text: str) -> str | None:
    """The first sign of a text that nobody sees; None where all can be seen, or belongs to its script or emoji."""
    if text.isascii() and text.isprintable():
        return None
    return next((sign for place, sign in enumerate(text) if _hides(text, place)), None)


def legible(text: str) -> str:
    """A line with an escape such as \\u202e in place of each sign that nobody sees; the escapes are those of JSON."""
    if hidden(text) is None:
        return text
    return "".join(escaped(sign) if _hides(text, place) else sign for place, sign in enumerate(text))


def marked(text: str, mark: str = "\ufffd") -> str:
    """A line with a mark, that of what cannot be shown, in place of each sign that nobody sees: it grows no longer."""
    return "".join(mark if _hides(text, place) else sign for place, sign in enumerate(text))


def legible_lines(text: str) -> str:
    """The same for a text of several lines, which stay."""
    return "\n".join(map(legible, text.split("\n")))


def escaped(sign: str) -> str:
    """A sign as JSON escapes it (RFC 8259 section 7)."""
    units = sign.encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{units[at]:02x}{units[at + 1]:02x}" for at in range(0, len(units), 2))


def _hides(text: str, place: int) -> bool:
    sign = text[place]
    if sign in (NON_JOINER, JOINER):
        return not _joins(text, place)
    if ord(sign) in VARIANTS:
        return place == 0 or not _drawn(text[place - 1])
    return sign in BLANK or (sign != "\t" and unicodedata.category(sign) in HIDDEN)


def _joins(text: str, place: int) -> bool:
    """Whether a joiner stands where its script needs it: after a virama, within Arabic, or (joining) within emoji."""
    if place == 0 or place + 1 == len(text):
        return False
    before, after = text[place - 1], text[place + 1]
    if unicodedata.combining(before) == VIRAMA:
        return True
    if text[place] == NON_JOINER:
        return unicodedata.bidirectional(before) == unicodedata.bidirectional(after) == "AL"
    return (_drawn(before) or ord(before) in VARIANTS) and _drawn(after)


def _drawn(sign: str) -> bool:
    """Whether a sign is a picture, or the tone of one."""
    return unicodedata.category(sign) in {"So", "Sk"} or sign in "#*0123456789\u2640\u2642"
