"""Errors: a page in the reader's language for a browser, a problem document of RFC 9457 for a program."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from api.http.app import create_app
from api.process.services import Services
from forecaster.texts.catalogue import languages, words
from tests.api.pagesample import Tags, client, site
from tests.scenario import services

BROWSER = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"
"""What browsers ask for in a navigation."""

ODD = {
    "/nowhere": 404, "/sites/larkspur/nowhere": 404, "/sites/nobody": 404, "/outlast.toml": 404,
    "/acknowledge/not-a-link": 422,
}  # fmt: skip
"""What is not there, or cannot be read, and the status that says so."""


@pytest.fixture
def held(tmp_path: Path) -> Iterator[Services]:
    made = services(tmp_path, {"larkspur": site()})
    yield made
    made.close()


@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize("path", ODD)
def test_a_browser_is_answered_with_a_page_in_its_language(held: Services, path: str, code: str) -> None:
    answer = client(held).get(path, headers={"Accept": BROWSER, "Accept-Language": code})
    assert answer.status_code == ODD[path]
    assert answer.headers["content-type"].startswith("text/html")
    assert answer.headers["content-language"] == code
    text = " ".join(Tags(answer.text).text.split())
    assert words(code)(f"error.title_{404 if answer.status_code == 404 else 400}") in text
    assert 'href="/"' in answer.text


@pytest.mark.parametrize("path", ["/nowhere", "/api/v1/nowhere", "/api/v1/sites/nobody"])
def test_a_program_is_answered_with_a_problem_document(held: Services, path: str) -> None:
    """RFC 9457 section 3: application/problem+json with the status in it."""
    for accept in ("*/*", "application/json", "application/problem+json"):
        answer = client(held).get(path, headers={"Accept": accept})
        assert answer.headers["content-type"] == "application/problem+json", accept
        assert answer.json()["status"] == answer.status_code == 404


def test_the_api_answers_browsers_with_documents_too(held: Services) -> None:
    answer = client(held).get("/api/v1/sites/nobody", headers={"Accept": BROWSER})
    assert answer.headers["content-type"] == "application/problem+json"


def test_a_page_says_which_methods_there_are(held: Services) -> None:
    """RFC 9110 section 15.5.6: 405 comes with Allow."""
    with TestClient(create_app(held), base_url="http://127.0.0.1:8642") as browser:
        answer = browser.put("/sites/larkspur", headers={"Accept": BROWSER})
    assert answer.status_code == 405
    assert "GET" in answer.headers["allow"]
    assert words()("error.title_405") in answer.text


@pytest.mark.parametrize("code", languages())
def test_what_the_guards_refuse_is_a_page_too(held: Services, code: str) -> None:
    spoken = {"Accept": BROWSER, "Accept-Language": code}
    with TestClient(create_app(held), base_url="http://127.0.0.1:8642") as browser:
        foreign = browser.post("/sizing", headers={**spoken, "Origin": "https://elsewhere.example"})
        named = browser.get("/", headers={**spoken, "Host": "elsewhere.example"})
        large = browser.post("/sizing", headers=spoken, content=b"x" * 600_000)
    for answer, status in ((foreign, 403), (named, 421), (large, 413)):
        assert answer.status_code == status
        assert words(code)(f"error.title_{status}") in answer.text
        assert f'lang="{code}"' in answer.text


def test_an_unexpected_fault_is_a_page_without_its_text(held: Services, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("of no concern to anybody outside")

    monkeypatch.setattr("api.pages.views.fleet_page", broken)
    with TestClient(create_app(held), base_url="http://127.0.0.1:8642", raise_server_exceptions=False) as browser:
        answer = browser.get("/", headers={"Accept": BROWSER})
    assert answer.status_code == 500
    assert words()("error.title_500") in answer.text
    assert "of no concern" not in answer.text
