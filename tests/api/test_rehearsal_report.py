"""What a rehearsal says at its end: the same on the command line, as JSON and on the page, in each language."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from api.commands.discharge import told
from api.http.rehearsal_answers import rehearsal_out
from api.process.services import Services
from forecaster.discharge import analyse
from forecaster.domain.discharge import DischargeTest, EndReason
from forecaster.domain.site import Load
from forecaster.domain.times import HOUR_MS
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
        assert f"{one['what']}: {one['hours_95']:.3g} h with a chance of 95 %" in english
    assert "una batería más como esta: " in spanish
    assert "pasadas" in spanish
    page = Tags(client(held).get("/sites/larkspur/discharge", {"accept-language": "es"}).text).text
    assert "Qué ayudaría" in page
    assert "freezer: cellar apagado, " in page
    assert "one more pack" not in page
