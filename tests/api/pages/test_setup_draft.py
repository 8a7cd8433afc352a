"""Set-up goes on where it was left, each person at their own, and ends in what is looked at before one leaves."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from api.http.security import LOOPBACK, Principal
from api.pages import setupdraft
from api.pages.offers import live_lines, offers_shown, unseen, with_suggestions
from api.process.services import Services
from collector.decode.discovery import Discovery
from forecaster.domain.times import DAY_MS
from forecaster.texts.catalogue import languages, words
from tests.api.pages.test_setup_faults import WHOLE, sent
from tests.api.pages.test_setup_form import LEAST
from tests.api.pagesample import client, form_token, site
from tests.scenario import NOW_MS, services


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Services]:
    made = services(tmp_path, {})
    yield made
    made.close()


def test_what_was_filled_in_is_there_again(empty: Services) -> None:
    browser = client(empty)
    token = form_token(browser.get("/setup").text)
    typed = {"name": "Larkspur Lane", "pump.rated_power_w": "480", "form_token": token}
    assert browser.post("/setup/keep", data=typed).status_code == 204
    again = client(empty).get("/setup").text
    assert words()("setup.resumed", at="")[:20] in again
    assert 'value="Larkspur Lane"' in again
    kept = empty.ledger.noted("setup-draft:")
    assert kept is not None
    assert token not in kept
    fresh = browser.post("/setup/anew", data={"form_token": token})
    assert (fresh.status_code, fresh.headers["location"]) == (303, "/setup")
    assert "Larkspur Lane" not in client(empty).get("/setup").text


@pytest.mark.parametrize("do", ["check", "take", "look", "keep"])
def test_every_button_keeps(empty: Services, do: str) -> None:
    sent(client(empty), {**LEAST, "name": "Larkspur Lane cellar", "timezone": "Mars"}, do=do)
    again = client(empty).get("/setup").text
    assert 'value="Larkspur Lane cellar"' in again
    assert '<option value="pump_power" selected>' in again


def test_nothing_is_kept_without_the_forms_token(empty: Services) -> None:
    assert client(empty).post("/setup/keep", data={"name": "x"}).status_code == 403
    assert empty.ledger.notes("setup-draft") == {}


def test_what_is_still_on_its_way_brings_no_draft_of_a_written_site_back(empty: Services) -> None:
    """In: the site written from one tab, then what the other tab keeps of it, and of another house. Out: that alone."""
    browser = client(empty)
    token = form_token(browser.get("/setup").text)
    browser.post("/setup", data={**WHOLE, "weather.url": "", "form_token": token, "do": "write"})
    (written,) = (empty.installation.folder / "sites").glob("*.toml")
    late = {"name": WHOLE["name"], "id": written.stem, "form_token": token}
    assert browser.post("/setup/keep", data=late).status_code == 204
    assert empty.ledger.notes("setup-draft") == {}
    browser.post("/setup/keep", data=late | {"id": "", "name": "Elder Street"})
    assert "Elder Street" in str(empty.ledger.notes("setup-draft"))


def test_a_written_site_ends_the_draft_and_leads_on(empty: Services) -> None:
    browser = client(empty)
    form = {**WHOLE, "weather.url": "", "form_token": form_token(browser.get("/setup").text), "do": "write"}
    answer = browser.post("/setup", data=form)
    assert (answer.status_code, answer.headers["location"]) == (303, "/setup/done?site=larkspur")
    assert empty.ledger.notes("setup-draft") == {}
    waiting = browser.get("/setup/done?site=larkspur")
    assert "Larkspur Lane cellar" in waiting.text
    assert 'http-equiv="refresh"' in waiting.text
    empty.installation.sites["larkspur"] = site()
    there = browser.get("/setup/done?site=larkspur")
    assert (there.status_code, there.headers["location"]) == (303, "/sites/larkspur/leaving?said=new")
    assert browser.get("/setup/done?site=nowhere").status_code == 404


def test_each_login_has_a_draft_of_its_own_for_a_month(empty: Services) -> None:
    ann, bob = (Principal(name, "operate", None, "session", token_id=name) for name in ("ann", "bob"))
    setupdraft.keep(empty.ledger, ann, {"name": "Ann's"}, NOW_MS)
    setupdraft.keep(empty.ledger, bob, {"name": "Bob's", "form_token": "f", "do": "check"}, NOW_MS + DAY_MS)
    held = setupdraft.kept(empty.ledger, ann, NOW_MS)
    assert held is not None
    assert held.form == {"name": "Ann's"}
    assert setupdraft.kept(empty.ledger, LOOPBACK, NOW_MS) is None
    late = NOW_MS + 30 * DAY_MS + 1
    assert setupdraft.kept(empty.ledger, ann, late) is None
    setupdraft.keep(empty.ledger, bob, {"name": "Bob's"}, late)
    assert list(empty.ledger.notes("setup-draft")) == ["setup-draft:bob"]  # nobody came back to the other
    setupdraft.drop(empty.ledger, bob)
    assert setupdraft.kept(empty.ledger, bob, late) is None


def test_a_draft_has_an_end(empty: Services) -> None:
    """Four hundred fields of long topics: what was chosen is kept, and what was typed."""
    form = {"name": "Larkspur Lane"}
    for place in range(400):
        form |= {f"topic{place}": "x" * 900, f"values{place}": "1", f"path{place}": "$.a"}
    form["quantity7"] = "pump_power"
    setupdraft.keep(empty.ledger, LOOPBACK, form, NOW_MS)
    held = setupdraft.kept(empty.ledger, LOOPBACK, NOW_MS)
    assert held is not None
    assert held.form["name"] == "Larkspur Lane"
    assert {key for key in held.form if key.startswith("topic")} == {"topic7"}
    setupdraft.keep(empty.ledger, LOOPBACK, {"name": "x" * 10**6, "id": "y"}, NOW_MS)
    assert len(empty.ledger.noted("setup-draft:") or "") < setupdraft.MOST


def cellar() -> Discovery:
    now = 0.0
    heard = Discovery(lambda: now)
    for step in range(60):
        now = 2.0 * step
        watts = 481.5 if step % 20 < 6 else 0.0
        heard.hear("a", b'{"power":%r,"volts":121.4}' % watts, False)
        heard.hear("b", b'{"power":%r,"level":23.0}' % (0.0 if step < 59 else 7.0), False)
    return heard


@pytest.mark.parametrize("code", languages())
def test_lines_carry_values_reasons_and_what_would_be_stored(code: str) -> None:
    said_in, heard = words(code), cellar().topics()
    offers = offers_shown({}, said_in, heard, fresh=True)
    lines = {(line.topic, line.path): line for offer in offers for line in offer.lines}
    assert lines["a", "$.power"].sure == "both"
    assert said_in("setup.by.steps_power", low="0", high=said_in.again("482"))[:12] in lines["a", "$.power"].hint
    assert lines["a", "$.volts"].guess == ""
    assert (lines["b", "$.level"].guess, lines["b", "$.level"].guess_unit) == ("water_level", "cm")
    assert all(line.hint for line in lines.values())


def test_of_one_quantity_one_line_is_taken_and_it_is_the_one_that_behaves() -> None:
    heard = cellar().topics()
    offers = offers_shown({"quantity1": "", "topic1": "b", "path1": "$.power"}, words(), heard, fresh=True)
    taken = [line for offer in with_suggestions(offers) for line in offer.lines if line.quantity == "pump_power"]
    assert [(line.topic, line.unit) for line in taken] == [("a", "W")]
    mine = offers_shown(
        {"quantity1": "pump_power", "topic1": "b", "path1": "$.power", "unit1": "W"}, words(), heard, fresh=True
    )
    taken = [line for offer in with_suggestions(mine) for line in offer.lines if line.quantity == "pump_power"]
    assert [line.topic for line in taken] == ["b"]  # what somebody chose is left


def test_a_name_alone_goes_before_values_alone() -> None:
    heard = Discovery()
    for step in range(12):
        heard.hear("b", b'{"x":%r,"soc":93}' % (96.0 - step // 4), False)
    offers = with_suggestions(offers_shown({}, words(), heard.topics(), fresh=True))
    assert [line.path for offer in offers for line in offer.lines if line.quantity] == ["$.soc"]


def test_the_script_is_told_values_of_now_and_what_is_new() -> None:
    heard = cellar().topics()
    form = {"topic0": "b", "path0": "$.level", "quantity0": "water_level", "unit0": "cm", "units": "us"}
    found = {(line.topic, line.path): line for line in live_lines(form, words(), heard, 121.0)}
    assert found["b", "$.level"].stored == words()("setup.stored", value="9.1 in").removeprefix("stored as ")
    assert found["b", "$.level"].age == "(3 s ago)"
    assert found["a", "$.power"].stored == ""
    assert unseen(offers_shown(form, words(), heard, fresh=False), heard) == 3


def test_the_live_values_are_for_who_may_set_up(empty: Services) -> None:
    answer = client(empty).get("/setup/live")
    assert answer.json() == {"listening": False, "lines": [], "unseen": 0, "more": ""}
    assert answer.headers["cache-control"] == "no-store"
