"""The catalogue of words: one file a language, looked up by dotted key, filled in.

The files are package data: part of the code, and read once like a module, so that what the core says depends on
nothing but its arguments. This is the one module of the core that may read them.
"""

from __future__ import annotations

import re
import string
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from functools import cache, cached_property
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from forecaster.domain.site import Site, Units
from forecaster.texts import kept
from forecaster.texts.usunits import METRIC, shown, significant

if TYPE_CHECKING:
    from babel.core import Locale

SOURCE = "en"
"""The language that every other is a translation of, and that documents for programs are written in."""

SUFFIX = ".toml"

DECIMAL = re.compile(r"-?\d+\.\d+")


class Words:
    """All texts of one language. A missing key is an error, not a blank on a page.

    code : str — the language, ISO 639-1
    texts : Mapping[str, str] — texts by dotted key
    units : Units | None — those that a reader asked for; None: each site's own
    half_days : bool — times of day are told in twice twelve hours
    """

    def __init__(
        self, code: str, texts: Mapping[str, str], units: Units | None = None, *, half_days: bool = False
    ) -> None:
        self.code = code
        self.texts = texts
        self.units = units
        self.half_days = half_days
        self._filling = _Filling(self)

    def __call__(self, key: str, /, **values: object) -> str:
        """A text as plain words, filled in. Where it differs by number it stands as `key.one`, `key.other` and so on.

        The plural categories are those of Unicode CLDR, chosen by the value `n`.
        """
        by_number = key not in self.texts and "n" in values
        text = self.texts[self._plural(key, values["n"]) if by_number else key]
        if not values:
            return text
        return self.contracted(self._filling.vformat(text, (), values))

    def contracted(self, said: str) -> str:
        """A text with what the language draws together where it meets, such as Spanish `de el` to `del`."""
        for apart, together in self._contractions:
            said = apart.sub(together, said)
        return said

    def clock(self, hour: int, minute: int) -> str:
        """A time of day, on the reader's clock."""
        if not self.half_days:
            return self("wording.clock", hour=hour, minute=minute)
        return self("wording.clock.half", hour=of_twelve(hour), minute=minute, half=self.half(hour))

    def half(self, hour: int) -> str:
        """The half of the day that an hour is in."""
        return self("wording.half.morning" if hour < 12 else "wording.half.afternoon")

    def read_in(self, units: Units | None, *, half_days: bool) -> Words:
        """The same language for a reader who asked for units, or for a clock."""
        return Words(self.code, self.texts, units, half_days=half_days)

    def of_site(self, site: Site) -> Words:
        """The same language in the units of a site, for a reader who asked for none."""
        return self if self.units is not None else self.read_in(site.units, half_days=self.half_days)

    def __contains__(self, key: object) -> bool:
        return key in self.texts or f"{key}.other" in self.texts

    def again(self, text: str) -> str:
        """A text that knows its key, or a figure, worded in this language and units; other texts stay unchanged."""
        if isinstance(text, Said):
            return self(text.key, **text.values)
        if isinstance(text, Measured):
            value, key = shown(text.value, text.unit, self.units)
            return self(f"wording.{key}", n=self.signs(significant(value)))
        return self.signs(text) if isinstance(text, Figure) else text

    def line(self, text: str) -> str:
        """A text that knows its key, or a sentence kept in English, in this language; any other as it stands."""
        if self.code == SOURCE or isinstance(text, Said | Figure):
            return self.again(text)
        found = kept.known(text, _kept_patterns())
        if found is not None:
            return self._filled_as_kept(*found)
        parts = text.split("; ")
        if len(parts) > 1:
            return "; ".join(map(self.line, parts))
        return self._after_a_place(text)

    def _after_a_place(self, text: str) -> str:
        """A kept sentence behind the file and the key that it is about."""
        place = text.find(": ")
        while place >= 0:
            found = kept.known(text[place + 2 :], _kept_patterns())
            if found is not None:
                return text[: place + 2] + self._filled_as_kept(*found)
            place = text.find(": ", place + 2)
        return text

    def _filled_as_kept(self, key: str, values: Mapping[str, str]) -> str:
        """A text filled with what stood in the kept sentence: quoted and rounded already."""
        said = ""
        for piece, name in kept.pieces(self.texts[key]):
            value = "" if name is None else values[name]
            said += piece + (self.signs(value) if DECIMAL.fullmatch(value) else self.line(value))
        return said

    def number(self, value: float, decimals: int) -> str:
        """A number with so many decimals, as the language writes it; nothing has no sign."""
        return self.signs(f"{value:z.{decimals}f}")

    def signs(self, figure: str) -> str:
        """A figure with a decimal point, commas between thousands and a bare %, written with the language's signs."""
        return figure.translate(self._signs)

    def _plural(self, key: str, n: object) -> str:
        if not isinstance(n, int | float):
            raise TypeError(f"{key}: n is what a plural is chosen by, not {n!r}")
        wanted = f"{key}.{self._locale.plural_form(n)}"
        return wanted if wanted in self.texts else f"{key}.other"

    @cached_property
    def _signs(self) -> dict[int, str]:
        names = {".": "decimal", ",": "thousands", "%": "percent"}
        return str.maketrans({sign: self.texts[f"language.{name}"] for sign, name in names.items()})

    @cached_property
    def _contractions(self) -> tuple[tuple[re.Pattern[str], str], ...]:
        pairs = (pair.split("=") for pair in self.texts["language.contractions"].split(",") if pair)
        whole = ((apart.strip(), together.strip()) for apart, together in pairs)
        return tuple((re.compile(rf"(?<!\w){re.escape(apart)}(?!\w)"), together) for apart, together in whole)

    @cached_property
    def _locale(self) -> Locale:
        from babel.core import Locale  # a third of what the words take to load

        return Locale.parse(self.code)


def of_twelve(hour: int) -> int:
    """An hour of the day on a clock of twelve: 12 after midnight and after noon."""
    return hour % 12 or 12


class _Filling(string.Formatter):
    """Braces filled in as `str.format` does, numbers and texts in the language they stand in."""

    def __init__(self, words: Words) -> None:
        self.words = words

    def get_value(self, key: int | str, args: Sequence[Any], kwargs: Mapping[str, Any]) -> Any:
        value = super().get_value(key, args, kwargs)
        return self.words.line(value) if key in kept.REASONS and isinstance(value, str) else value

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, float):
            return self.words.signs(format(value, format_spec))
        return format(self.words.again(value) if isinstance(value, str) else value, format_spec)

    def check_unused_args(self, used_args: set[int | str], args: Sequence[Any], kwargs: Mapping[str, Any]) -> None:
        """Nothing to check: a text need not use all of its arguments."""


class Said(str):
    """An English text that remembers its key and arguments, so that it can be worded again in any language.

    Documents for programs use it as the English text that it is; pages and messages ask `Words.again`.
    """

    __slots__ = ("key", "values")
    key: str
    values: Mapping[str, Any]

    def __new__(cls, key: str, /, **values: object) -> Said:
        made = super().__new__(cls, words()(key, **values))
        made.key, made.values = key, values
        return made

    def __getnewargs_ex__(self) -> tuple[tuple[str], dict[str, Any]]:
        return (self.key,), dict(self.values)


class Figure(str):
    """A figure as written in English, for use in a text that can be worded in any language."""

    __slots__ = ()


def with_unit(figure: str, unit: str) -> Figure:
    """A figure and its unit, a space between them; a percent sign stands as the language writes it."""
    return Figure(f"{figure}%" if unit == "%" else f"{figure} {unit}".rstrip())


class Measured(Figure):
    """A value in a unit of documents, as they write it; `Words.again` says it in the units of its reader.

    unit : str — m, mm, L/min, L/h or °C
    """

    __slots__ = ("unit", "value")
    value: float
    unit: str

    def __new__(cls, value: float, unit: str) -> Measured:
        made = super().__new__(cls, words()(f"wording.{METRIC[unit].key}", n=significant(value)))
        made.value, made.unit = value, unit
        return made

    def __getnewargs_ex__(self) -> tuple[tuple[float, str], dict[str, Any]]:
        return (self.value, self.unit), {}


def coded(text: str) -> Any:
    """A text in a form for JSON: its key and arguments, so that it can be worded again in any language."""
    if isinstance(text, Said):
        values = {name: coded(value) if isinstance(value, str) else value for name, value in text.values.items()}
        return {"key": text.key, "values": values}
    if isinstance(text, Measured):
        return {"measured": text.value, "unit": text.unit}
    return {"figure": str(text)} if isinstance(text, Figure) else str(text)


def decoded(code: Any, text: str) -> str:
    """The text of a coded one; the text as it was written where this build no longer has its key."""
    if isinstance(code, str):
        return code
    if "measured" in code:
        return Measured(code["measured"], code["unit"])
    if "figure" in code:
        return Figure(code["figure"])
    if code["key"] not in words():
        return text
    values = {
        name: decoded(value, text) if isinstance(value, str | dict) else value for name, value in code["values"].items()
    }
    return Said(code["key"], **values)


@cache
def words(language: str = SOURCE) -> Words:
    """The texts of a language. KeyError where there is no such file. Missing texts are given in English."""
    if language == SOURCE:
        return Words(SOURCE, texts_of(SOURCE))
    source, own = texts_of(SOURCE), texts_of(language)
    lacking = {key: text for key, text in source.items() if key not in own and f"{key}.other" not in own}
    return Words(language, own | lacking)


@cache
def _kept_patterns() -> tuple[kept.Pattern, ...]:
    return kept.patterns(texts_of(SOURCE))


def texts_of(language: str) -> dict[str, str]:
    """The texts in a language's file, by dotted key. KeyError where there is no such file."""
    if language not in languages():
        raise KeyError(language)
    content = (files(__package__) / f"{language}{SUFFIX}").read_text("utf-8")
    return dict(_flat("", tomllib.loads(content)))


@cache
def languages() -> tuple[str, ...]:
    """The available languages, English first."""
    found = sorted(
        file.name.removesuffix(SUFFIX) for file in files(__package__).iterdir() if file.name.endswith(SUFFIX)
    )
    return (SOURCE, *(code for code in found if code != SOURCE))


def _flat(prefix: str, tree: Mapping[str, object]) -> Iterator[tuple[str, str]]:
    for key, value in tree.items():
        if isinstance(value, Mapping):
            yield from _flat(f"{prefix}{key}.", value)
        else:
            yield f"{prefix}{key}", str(value)
