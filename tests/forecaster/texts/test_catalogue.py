"""The catalogue: every language has all words with their blanks, figures and plurals as the language writes them."""

from __future__ import annotations

import pickle
import re
import string

import pytest
from babel import Locale
from babel.dates import get_day_names, get_month_names

from forecaster.domain.quantities import Quantity
from forecaster.texts.catalogue import (
    SOURCE,
    Figure,
    Said,
    Words,
    coded,
    decoded,
    languages,
    texts_of,
    with_unit,
    words,
)
from forecaster.texts.wording import Wording

OTHERS = [code for code in languages() if code != SOURCE]
PLURALS = ("zero", "one", "two", "few", "many", "other")
TEXTS = {code: texts_of(code) for code in languages()}
BY_NUMBER = {key.removesuffix(".other") for texts in TEXTS.values() for key in texts if key.endswith(".other")}
NBSP = "\u00a0"


def blanks(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def stem(key: str) -> str:
    """A key without its plural category."""
    start, _, last = key.rpartition(".")
    return start if last in PLURALS and start in BY_NUMBER else key


@pytest.mark.parametrize("code", OTHERS)
def test_a_language_lacks_no_word_and_has_none_of_its_own(code: str) -> None:
    ours, theirs = {stem(key) for key in TEXTS[SOURCE]}, {stem(key) for key in TEXTS[code]}
    assert not ours - theirs, f"{code}.toml lacks: {', '.join(sorted(ours - theirs))}"
    assert not theirs - ours, f"{code}.toml has what en.toml has not: {', '.join(sorted(theirs - ours))}"


@pytest.mark.parametrize("code", OTHERS)
def test_a_language_keeps_the_blanks(code: str) -> None:
    """The number that a plural is chosen by may be left out, as in "one site"."""
    ours = {stem(key): blanks(text) for key, text in TEXTS[SOURCE].items()}
    wrong = [
        f"{key}: {sorted(blanks(text))} for {sorted(ours[stem(key)])}"
        for key, text in TEXTS[code].items()
        if stem(key) in ours and blanks(text) - {"n"} != ours[stem(key)] - {"n"}
    ]
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("code", languages())
def test_percent_stands_as_the_language_writes_it(code: str) -> None:
    """In every text, whether the figure is in it or is filled in."""
    sign = TEXTS[code]["language.percent"]
    wrong = [
        key for key, text in TEXTS[code].items() for found in re.findall(r"[0-9}](\s?%)(?!})", text) if found != sign
    ]
    assert not wrong, wrong
    assert words(code).again(with_unit("17.5", "%")) == words(code).signs("17.5%")
    assert with_unit("17.5", "W") == "17.5 W"


@pytest.mark.parametrize("code", languages())
def test_dates_and_figures_are_those_of_unicode_cldr(code: str) -> None:
    """Days, months, the decimal sign and how percent are written, held against CLDR as the Babel library carries it."""
    say, locale = words(code), Locale.parse(code)
    days, months = get_day_names("abbreviated", locale=locale), get_month_names("abbreviated", locale=locale)
    assert say("wording.weekdays").split() == [days[day].rstrip(".") for day in range(7)]
    assert say("wording.months").split() == [months[month].rstrip(".") for month in range(1, 13)]
    assert say("language.decimal") == locale.number_symbols["latn"]["decimal"]
    assert say.signs("34%") == locale.percent_formats[None].pattern.replace("#,##0", "34")
    assert say("language.name").casefold() == (locale.get_display_name() or "").casefold()


@pytest.mark.parametrize("code", languages())
def test_a_text_that_differs_by_number_has_every_category_it_needs(code: str) -> None:
    """Categories of Unicode CLDR for whole numbers up to a thousand; `other` is always there to fall back on."""
    texts = TEXTS[code]
    needed = {Locale.parse(code).plural_form(n) for n in range(1001)}
    for start in {key.rpartition(".")[0] for key in texts if key.endswith(".other")}:
        assert needed <= {key.rpartition(".")[2] for key in texts if key.startswith(f"{start}.")}, start


def test_figures_take_the_signs_of_the_language() -> None:
    spanish = words("es")
    assert spanish.number(9.5, 1) == "9,5"
    assert [spanish.number(value, 1) for value in (-0.04, -0.0, -0.06)] == ["0,0", "0,0", "-0,1"]
    assert spanish.again(Figure("12,480.5")) == f"12{NBSP}480,5"
    assert words().again(Figure("12,480.5")) == "12,480.5"
    assert Wording("Europe/Madrid", said_in=spanish).length(0.25) == "0,25 m"


def test_what_was_said_in_english_is_said_again_in_another_language() -> None:
    told = Said("suspect.source_ahead", span=Said("wording.hours", n=Figure("3")))
    assert told == "a source's clock is 3 h ahead of arrival"
    assert words("es").again(told) == "el reloj de un aparato va 3 h por delante de la llegada"
    assert words("es").again("as it stands") == "as it stands"
    kept = pickle.loads(pickle.dumps(told))
    assert kept == told
    assert words("es").again(kept) == words("es").again(told)


def test_words_grow_together_where_a_blank_is_filled_in() -> None:
    spanish = words("es")
    assert spanish("alarm.by", time="el jue a las 15:30") == "Antes del jue a las 15:30"
    assert spanish("alarm.by", time="las 15:30") == "Antes de las 15:30"


def test_a_word_that_a_language_lacks_is_said_in_english() -> None:
    assert Words("es", TEXTS["es"])("mail.by") == "Hora límite:"
    with pytest.raises(KeyError):
        words("xx")
    with pytest.raises(KeyError, match=r"no\.such\.word"):
        words("es")("no.such.word")
    with pytest.raises(KeyError, match=r"no\.such\.word"):
        words("es")("no.such.word", n=1)


@pytest.mark.parametrize("code", languages())
def test_every_quantity_has_its_names(code: str) -> None:
    for quantity in Quantity:
        assert words(code)(f"measured.{quantity.value}")
        assert words(code)(f"quantity.{quantity.value}")


@pytest.mark.parametrize("n", [1, 5])
def test_a_kept_text_that_differs_by_number_is_said_again(n: int) -> None:
    """Within another text too: what was kept is the whole, and a part of it must not stand for the whole."""
    kept = Said("health.and", first=Said("storm.by-table", n=n), then=Said("storm.unknown"))
    again = decoded(coded(kept), str(kept))
    assert str(again) == str(kept)
    assert words("es").again(again) == words("es")("health.and", first=words("es")("storm.by-table", n=n),
                                                   then=words("es")("storm.unknown"))  # fmt: skip
