"""What a rehearsal says at its end: the same on the command line, as JSON and on the page, in each language."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from api.commands.discharge import told, years_told
from api.http.rehearsal_answers import rehearsal_out
from api.offline.reporting import document, report_of
from api.offline.reporting import told as report_told
from api.process.services import Services
from forecaster.discharge import analyse
from forecaster.discharge.years import compared
from forecaster.domain.discharge import DischargeTest, EndReason
from forecaster.domain.site import Load
from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.texts.catalogue import words
from tests.api.pagesample import Tags, client, site
from tests.forecaster.discharge.test_discharge import steady
from tests.scenario import NOW_MS, services

HOUSE = replace(site(), loads=(Load("router", 12.0), Load("freezer: cellar", 20.0)))


@pytest.fixture
def held(tmp_path: Path) -> Iterator[Services]:
    """One site with one finished rehearsal in its ledger."""
    made = services(tmp_path, {"larkspur": HOUSE})
    result = analyse(replace(steady(8, 7.5), site=HOUSE))
    begun_ms = NOW_MS - 10 * HOUR_MS
    made.ledger.save_test(
        DischargeTest(
            "larkspur:test:1", "larkspur", begun_ms, "owner", None, None, begun_ms + 8 * HOUR_MS, EndReason.BY_HAND,
            result,
        )
    )  # fmt: skip
    yield made
    made.close()


def test_what_would_help_is_told_by_every_face(held: Services) -> None:
    (test,) = held.ledger.tests("larkspur")
    assert test.result is not None
    helps = rehearsal_out(test, None)["result"]["helps"]
    assert [sorted(one) for one in helps] == [["gained_h", "hours_95", "wh", "what"]] * 4
    assert client(held).get("/api/v1/sites/larkspur/discharge-tests").json()["tests"][0]["result"]["helps"] == helps
    english, spanish = told(test, None, words()), told(test, None, words("es"))
    assert "What would help" in english
    for one in helps:
        assert f"{one['what']}: {one['hours_95']:.3g} h with a chance of 95%" in english
    assert "una batería más como esta: " in spanish
    assert "pasadas" in spanish
    page = Tags(client(held).get("/sites/larkspur/discharge", {"accept-language": "es"}).text).text
    assert "Qué ayudaría" in page
    assert "freezer: cellar apagado, " in page
    assert "one more pack" not in page


def test_tests_of_several_years_are_compared_by_every_face(held: Services) -> None:
    """First that it cannot be told; then, with two tests more in each of the years before, the line."""
    address = "/api/v1/sites/larkspur/discharge-tests"
    first = client(held).get(address).json()["over_years"]
    assert (first["fading"], first["below_needed"]) == (None, None)
    assert "1 of the 3 tests" in first["says"]
    for years, rate in ((1, 7.0), (2, 6.5), (3, 6.0)):
        at_ms = NOW_MS - years * 365 * DAY_MS
        result = analyse(replace(steady(8, rate), site=HOUSE))
        held.ledger.save_test(
            DischargeTest(f"larkspur:{years}", "larkspur", at_ms, "owner", None, None, at_ms, EndReason.BY_HAND, result)
        )
    told_now = client(held).get(address).json()["over_years"]
    assert len(told_now["tests"]) == 4
    assert told_now["fading"] is True
    assert set(told_now["fade_a_year"]) == {"p10", "p50", "p90"}
    assert told_now["says"].startswith("The pack fades by ")
    assert client(held).get(address + "?limit=1").json()["over_years"] == told_now
    report = report_of(held.store, held.ledger, HOUSE, NOW_MS - DAY_MS, NOW_MS)
    assert document(report)["tests_over_years"] == told_now
    assert "La batería pierde al año" in report_told(report, words("es"))
    page = Tags(client(held).get("/sites/larkspur/discharge", {"accept-language": "es"}).text).text
    assert "A lo largo de los años" in page
    assert "La batería pierde al año un " in page
    found = compared(HOUSE, held.ledger.tests("larkspur"), (), NOW_MS)
    assert found is not None
    lines = years_told(found, words("es")).splitlines()
    assert lines[0].startswith("A lo largo de los años: La batería pierde")
    assert len(lines) == 5
