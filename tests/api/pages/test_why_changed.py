"""What a page says of why the end moved: in whose visit, since which alarm, and over HTTP with the same figures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest

from api.pages.facts import facts_of
from api.pages.lastlook import LOOK_COOKIE
from api.pages.livecontexts import DataAge
from api.pages.sitepage import held_words, sentence_of, silent_since
from api.process.services import Services
from forecaster.domain.alarms import AlarmState, AlarmTransition, TransitionKind
from forecaster.domain.forecast import Basis, Coverage, DrawParts, Forecast, Quantiles
from forecaster.domain.records import StoredForecast
from forecaster.domain.runs import Outage
from forecaster.domain.site import Pit
from forecaster.domain.times import HOUR_MS, MINUTE_MS
from forecaster.engine.document import document, time_text
from forecaster.texts.catalogue import languages, words
from forecaster.texts.wording import Wording
from tests.api.pagesample import Tags, client, forecast, heard, publish, raise_alarm, site
from tests.scenario import NOW_MS, HeldClock, services

DRAW = DrawParts(30.0, 11.0, 9.0, 0.0)


def spent(at_ms: int, usable_wh: float, draw: DrawParts = DRAW) -> Forecast:
    """A pack that steady draws use up: as many hours as the energy holds out."""
    hours = usable_wh / (draw.pump_w + draw.loads_w + draw.pack_w)
    return replace(
        forecast(), issued_at_ms=at_ms, usable_wh=usable_wh, draw=draw, drain_path=(),
        hours_remaining=Quantiles(*(hours * share for share in (0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3))),
    )  # fmt: skip


def kept(held: Services, made: Forecast) -> None:
    text = msgspec.json.encode(document(made)).decode()
    held.ledger.publish([StoredForecast(made.site, made.issued_at_ms, text, past=True)])


@pytest.fixture
def held(tmp_path: Path) -> Iterator[Services]:
    """Two hours ago 500 Wh at 50 W; now 300 Wh, 100 less than was foreseen, at the same draw: two hours sooner."""
    made = services(tmp_path, {"larkspur": site()})
    kept(made, spent(NOW_MS - 2 * HOUR_MS, 500.0))
    kept(made, spent(NOW_MS - HOUR_MS, 450.0))
    publish(made, spent(NOW_MS, 300.0))
    heard(made)
    yield made
    made.close()


def test_a_reader_is_told_what_moved_since_the_visit_before(held: Services) -> None:
    browser = client(held)
    clock = held.clock
    assert isinstance(clock, HeldClock)
    clock.move(-7200.0)
    assert "Since you last looked" not in browser.get("/sites/larkspur").text
    clock.move(7200.0)
    said = " ".join(Tags(browser.get("/sites/larkspur").text).text.split())
    assert "Since you last looked, 03:06: the end is 2 h sooner (charge −2 h" in said
    living = " ".join(Tags(browser.get("/sites/larkspur/now").text).text.split())
    assert "Since you last looked, 03:06" in living
    again = " ".join(Tags(browser.get("/sites/larkspur").text).text.split())
    assert "Since you last looked, 03:06" in again, "the same visit asks the same question"


@pytest.mark.parametrize("cookie", ["", ".", "x.y", "-5.9", "9" * 40, "1.1"])
def test_a_cookie_that_says_nothing_is_no_visit(held: Services, cookie: str) -> None:
    browser = client(held)
    browser.cookies.set(LOOK_COOKIE, cookie)
    answer = browser.get("/sites/larkspur")
    assert answer.status_code == 200
    assert "Since you last looked" not in answer.text


def test_in_an_hour_and_since_the_alarm(held: Services) -> None:
    """By hand: an hour ago 450 Wh; 400 were foreseen for now, 300 are there: 100 Wh at 50 W are two hours."""
    alarm = raise_alarm(held)
    raised = replace(
        alarm, raised_ms=NOW_MS - 2 * HOUR_MS, revision=alarm.revision + 1, state=AlarmState.UNACKNOWLEDGED
    )
    held.ledger.commit_transitions([AlarmTransition(raised, TransitionKind.UPDATED, NOW_MS)], [], [])
    said = " ".join(Tags(client(held).get("/sites/larkspur").text).text.split())
    assert "Since the alarm, 03:06: the end is 2 h sooner" in said
    assert "Since 04:06: the end is 2 h sooner" in said


def test_over_http_the_parts_add_up_and_what_does_not_compare_is_404(held: Services) -> None:
    browser = client(held)
    found = browser.get(f"/api/v1/sites/larkspur/changes?since={time_text(NOW_MS - 2 * HOUR_MS)}").json()
    assert found["charge_h"] == pytest.approx(-2.0, abs=0.02)
    assert found["inflow_h"] + found["charge_h"] + found["loads_h"] == pytest.approx(found["middle_h"], abs=0.03)
    assert found["middle_h"] + found["doubt_h"] == pytest.approx(found["early_h"], abs=0.02)
    assert browser.get("/api/v1/sites/larkspur/changes?since=2026-01-01T00:00:00Z").status_code == 404
    assert browser.get("/api/v1/sites/larkspur/changes").status_code == 422


@pytest.mark.parametrize("code", languages())
def test_the_latest_outage_shows_what_was_foreseen_against_what_came(held: Services, code: str) -> None:
    floor = NOW_MS - 20 * MINUTE_MS
    outage = Outage("larkspur", NOW_MS - 3 * HOUR_MS, NOW_MS - MINUTE_MS, False, reached_reserve_ms=floor)
    held.ledger.record([outage])
    html = client(held).get("/sites/larkspur/outages", headers={"accept-language": code}).text
    assert html.count('class="picture') == 2
    assert words(code)("outages.came_floor", time=Wording.of(site(), words(code)).within(floor, NOW_MS)) in html
    assert html.count("<tr>") >= 3


def test_a_silent_house_says_so_before_anything() -> None:
    """Its channel may be silent for 180 s: four minutes are more, whatever the forecaster thinks yet."""
    made, wording = forecast(), Wording.of(site(), words())
    old = DataAge("", NOW_MS - 4 * MINUTE_MS, stale=False)
    said = str(sentence_of(made, wording, words(), NOW_MS, silent_since(site(), made, old, NOW_MS)))
    assert said.startswith("Not heard since 05:02, when it was on the pack.")
    fresh = DataAge("", NOW_MS - 4_000, stale=False)
    assert silent_since(site(), made, fresh, NOW_MS) is None
    assert silent_since(site(), replace(made, basis=Basis.PROJECTED), fresh, NOW_MS) == NOW_MS - 4_000


def test_a_range_that_held_less_often_here_does_not_claim_more(held: Services) -> None:
    say = words()
    poor = replace(forecast(), coverage=Coverage(5, 9, 1.2))
    assert held_words(poor, say) == "which has held in 5 of 9 cases here"
    for made in (
        None,
        forecast(),
        replace(poor, coverage=Coverage(8, 9, 1.0)),
        replace(poor, coverage=Coverage(1, 3, 1.0)),
    ):
        assert held_words(made, say) == "meant to hold in 8 of 10 cases"
    publish(held, replace(poor, issued_at_ms=NOW_MS + 1))
    assert "8 of 10" not in client(held).get("/sites/larkspur").text


def test_an_assumed_rate_is_said_to_be_assumed() -> None:
    wording = Wording.of(site(), words())
    plain = facts_of(site(), forecast(), wording, words(), NOW_MS)[0]
    assumed = facts_of(replace(site(), pit=Pit()), forecast(), wording, words(), NOW_MS)[0]
    assert "assumed" not in plain.note
    assert assumed.note.endswith("assumed from the plate’s flow, not measured")


def test_past_alarms_do_not_list_the_one_that_is_open(held: Services) -> None:
    alarm = raise_alarm(held, headline="The one that is open.")
    told = replace(alarm, revision=alarm.revision + 1, changed_ms=NOW_MS + 1)
    held.ledger.commit_transitions([AlarmTransition(told, TransitionKind.UPDATED, NOW_MS + 1)], [], [])
    assert 'id="past"' not in client(held).get("/sites/larkspur/alarms").text
    over = replace(told, revision=told.revision + 1, state=AlarmState.NORMAL, cleared_ms=NOW_MS)
    held.ledger.commit_transitions([AlarmTransition(over, TransitionKind.CLEARED, NOW_MS)], [], [])
    html = client(held).get("/sites/larkspur/alarms").text
    assert html.count("The one that is open.") == 2  # raised, and over; not told anew
