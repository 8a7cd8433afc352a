"""Pages of the past: what is told of an outage that lasts, and whose time the times are."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from api.pages.moments import zone_words
from api.process.services import Services
from forecaster.domain.forecast import Quantiles
from forecaster.domain.runs import Outage
from forecaster.domain.times import HOUR_MS
from forecaster.texts.catalogue import words
from forecaster.texts.wording import Wording
from tests.api.pagesample import Tags, client, forecast, heard, publish, site
from tests.scenario import NOW_MS, services


@pytest.fixture
def held(tmp_path: Path) -> Iterator[Services]:
    """One site three hours on the pack."""
    made = services(tmp_path, {"larkspur": site()})
    made.ledger.record([Outage("larkspur", NOW_MS - 3 * HOUR_MS, None, False, 100.0, 100.0)])
    heard(made)
    yield made
    made.close()


def test_an_outage_that_lasts_is_told_as_far_as_it_went(held: Services) -> None:
    """The charge was heard at 71 %; the first forecast kept an hour in was for 9.1, 10.3 and 12.4 h."""
    for hours, at_ms in ((4.0, NOW_MS - 3 * HOUR_MS + 60_000), (10.3, NOW_MS - 2 * HOUR_MS), (8.5, NOW_MS)):
        range_h = Quantiles(p10=hours - 1.2, p50=hours, p90=hours + 2.1)
        publish(held, replace(forecast(), issued_at_ms=at_ms, hours_remaining=range_h))
    text = Tags(client(held).get("/sites/larkspur/outages").text).text
    assert "71%" in text
    assert "10 h 20 min to the reserve floor (9 h 5 min to 12 h)" in text
    assert "not over yet" in text
    assert "Times are CST." in text


@pytest.mark.parametrize(
    ("zone", "said"), [("America/Chicago", "CST"), ("Asia/Kathmandu", "UTC+05:45"), ("Asia/Dubai", "UTC+04")]
)
def test_a_zone_is_named(zone: str, said: str) -> None:
    """Nepal keeps 5 h 45 min ahead of UTC, Dubai 4 h; neither has letters (IANA time zone database, asia)."""
    assert zone_words(NOW_MS, Wording(zone), words()) == said


def test_sites_in_several_zones_each_name_theirs(tmp_path: Path) -> None:
    far = replace(site("far", "Far away"), timezone="Asia/Kathmandu")
    made = services(tmp_path, {"larkspur": site(), "far": far})
    publish(made, forecast())
    publish(made, forecast("far"))
    text = Tags(client(made).get("/").text).text
    one = client(made).get("/?q=larkspur").text
    made.close()
    assert "16:10 CST" in text
    assert "UTC+05:45" in text
    assert "Times are CST." in one
