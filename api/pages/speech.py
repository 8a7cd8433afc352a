"""The language of the pages for each reader."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Path, Query, Request, Response
from fastapi.responses import RedirectResponse

from api.http.dependencies import services
from api.pages.paths import safe_path
from forecaster.domain.site import Units
from forecaster.texts.catalogue import Words, languages, words

LANGUAGE_COOKIE = "outlast_language"
CHOICES = {"units": ("house", "metric", "us"), "clock": ("24", "12")}
"""What a reader may choose beside the language, the usual first; each is kept in a cookie of its name."""
YEAR_S = 365 * 24 * 3600

router = APIRouter(include_in_schema=False)


def words_of(request: Request) -> Words:
    """The catalogue of the language that the reader chose, with the units and the clock that they chose."""
    units, half_days = chosen_of(request, "units"), chosen_of(request, "clock") == "12"
    said_in = _language_of(request)
    if units == "house" and not half_days:
        return said_in
    return said_in.read_in(None if units == "house" else Units(units), half_days=half_days)


def chosen_of(request: Request, what: str) -> str:
    """What a reader chose of the choices; the usual where they chose nothing that there is."""
    chosen, usual = request.cookies.get(f"outlast_{what}", ""), CHOICES[what][0]
    return chosen if chosen in CHOICES[what] else usual


def _language_of(request: Request) -> Words:
    """The catalogue of the language that the reader chose, else the browser's, else the installation's."""
    chosen = request.cookies.get(LANGUAGE_COOKIE)
    if chosen in languages():
        return words(chosen)
    asked = accepted(request.headers.get("accept-language", ""))
    return words(asked or services(request).installation.words.language)


WordsIn = Annotated[Words, Depends(words_of)]


def accepted(header: str) -> str | None:
    """The language that Accept-Language ranks first of those there are; None where it names none of them.

    Ranges and weights as in RFC 9110 section 12.5.4, matched by the lookup of RFC 4647 section 3.4.
    """
    ranked: list[tuple[float, int, str]] = []
    for place, item in enumerate(header.split(",")[:32]):
        tag, _, weight = item.partition(";")
        quality = _quality(weight.strip())
        code = tag.strip().lower().partition("-")[0]
        if quality > 0.0 and code in languages():
            ranked.append((-quality, place, code))
    return min(ranked)[2] if ranked else None


def _quality(text: str) -> float:
    name, _, value = text.partition("=")
    if name.strip() != "q":
        return 1.0
    try:
        return min(1.0, float(value))
    except ValueError:
        return 0.0


@router.get("/language/{code}")
def choose(
    request: Request,
    code: Annotated[str, Path(pattern="^[a-z]{2,3}$")],
    wanted: Annotated[str, Query(alias="next", max_length=300)] = "/",
) -> Response:
    """Remember a reader's language in this browser, and go back to the page."""
    return _kept(request, wanted, LANGUAGE_COOKIE, code if code in languages() else None)


@router.get("/reader/{what}/{choice}")
def choose_for_reader(
    request: Request,
    what: Annotated[str, Path(pattern="^(units|clock)$")],
    choice: Annotated[str, Path(pattern="^[a-z0-9]{1,10}$")],
    wanted: Annotated[str, Query(alias="next", max_length=300)] = "/",
) -> Response:
    """Remember a reader's units or clock in this browser, and go back to the page."""
    return _kept(request, wanted, f"outlast_{what}", choice if choice in CHOICES[what] else None)


def _kept(request: Request, wanted: str, cookie: str, value: str | None) -> Response:
    answer = RedirectResponse(safe_path(wanted), status_code=303)
    if value is not None:
        secure = request.url.scheme == "https"
        answer.set_cookie(cookie, value, max_age=YEAR_S, path="/", httponly=True, samesite="lax", secure=secure)
    return answer
