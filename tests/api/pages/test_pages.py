"""Pages: what they say, what they escape, who may see and do what."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import replace
from html import unescape
from pathlib import Path
from urllib.parse import quote

import pytest

from api.http.keyring import Rights, new_token
from api.http.security import COOKIE
from api.pages.render import HERE
from api.process.services import Services
from forecaster.domain.alarms import AlarmState, AlarmTransition, TransitionKind
from forecaster.domain.discharge import DischargeTest, EndReason
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.forecast import Basis, Quantiles
from forecaster.domain.readings import Refusal
from forecaster.domain.runs import Outage, Supply
from forecaster.domain.site import Channel, Site, Units, WeatherService
from forecaster.domain.times import HOUR_MS
from forecaster.texts.catalogue import languages, words
from forecaster.texts.doers import COMMAND_LINE
from tests.api.pages.test_setup_form import LEAST
from tests.api.pagesample import Tags, client, forecast, form_token, heard, publish, raise_alarm, runs, site
from tests.scenario import NOW_MS, HeldClock, services

MARKUP = "<script>alert(1)</script>\"'&<img src=x onerror=alert(2)>"
PAGES = tuple(re.findall(r"\('\w+', '(|/\w+)'\)", (HERE / "templates" / "base.html").read_text(encoding="utf-8")))
"""The pages of a site: those that have a tab."""


@pytest.fixture
def held(tmp_path: Path) -> Iterator[Services]:
    """One site on the pack, with runs, an alarm and an outage."""
    made = services(tmp_path, {"larkspur": site()})
    publish(made, forecast())
    heard(made)
    made.ledger.record(runs())
    made.ledger.record([Outage("larkspur", NOW_MS - 3 * HOUR_MS, None, False)])
    raise_alarm(made)
    yield made
    made.close()


def test_the_sentence_comes_first_and_says_when_with_its_range(held: Services) -> None:
    html = client(held).get("/sites/larkspur").text
    text = " ".join(Tags(html).text.split())
    # 05:06 plus 8.5 h is 13:36, said to 5 minutes; 0.8 and 1.3 of it are 11:54 and 16:09
    assert "On the pack since 02:06. It will carry the pump until about 13:35, between 11:55 and 16:10 (CST)." in text
    assert "heard 4 s ago" in text
    assert html.index('class="say"') < html.index("<svg") < html.index("<dl>")


def test_on_mains_the_same_is_said_as_if_it_failed_now(held: Services) -> None:
    publish(held, replace(forecast(supply=Supply.MAINS), issued_at_ms=NOW_MS + 1))
    text = " ".join(Tags(client(held).get("/sites/larkspur").text).text.split())
    assert "On mains since 02:06. If the mains failed now, the pack would carry the pump until about 13:35" in text


def test_silence_is_said_with_its_age_in_plain_sight(held: Services) -> None:
    silent = replace(forecast(), issued_at_ms=NOW_MS + 1, basis=Basis.PROJECTED)
    publish(held, silent)
    html = client(held).get("/sites/larkspur").text
    assert 'class="age stale"' in html
    assert "last heard 4 s ago" in html
    assert words()("now.basis_projected") in html


def test_a_forecaster_that_stands_still_is_said(held: Services) -> None:
    clock = held.clock
    assert isinstance(clock, HeldClock)
    clock.move(600)
    assert "has not answered since 05:06" in client(held).get("/sites/larkspur").text


def test_nothing_known_is_said_and_not_made_up(tmp_path: Path) -> None:
    made = services(tmp_path, {"larkspur": site()})
    text = " ".join(Tags(client(made).get("/sites/larkspur").text).text.split())
    made.close()
    assert words()("now.no_forecast") in text
    assert "never heard" in text
    assert "None" not in text


def test_a_range_without_an_end_and_a_pack_that_outlasts_the_horizon(held: Services) -> None:
    publish(held, replace(forecast(), issued_at_ms=NOW_MS + 1, hours_remaining=Quantiles(200.0, 220.0, 260.0, 300.0)))
    assert "at least" in client(held).get("/sites/larkspur").text
    beyond = replace(forecast(), issued_at_ms=NOW_MS + 2, hours_remaining=Quantiles(), never_probability=1.0)
    publish(held, beyond)
    assert "for more than 14 days" in client(held).get("/sites/larkspur").text


@pytest.mark.parametrize("when", ["2026-03-03T14:00", "2026-03-03T20:00:00Z", "2026-03-03T15:00-05:00"])
def test_the_marker_without_script_reads_out_the_probability_that_the_api_gives(held: Services, when: str) -> None:
    html = client(held).get(f"/sites/larkspur?until={quote(when)}&as=home").text
    given = client(held).get("/api/v1/sites/larkspur/forecast?until=2026-03-03T20:00:00Z").json()["until"]
    said = f"I am home at 14:00? {given['probability'] * 100:.0f} in 100 that the pump still has power then."
    assert said in Tags(html).text
    assert 'value="2026-03-03T14:00"' in html


def test_a_marker_that_is_no_time_gets_one_clear_line(held: Services) -> None:
    answer = client(held).get("/sites/larkspur?until=tomorrow")
    assert answer.status_code == 400
    assert "not a time; write it as 2026-03-03T14:00" in Tags(answer.text).text


@pytest.mark.parametrize(
    ("query", "code"),
    [("until=9999999999999999999", 400), ("as=" + "x" * 99, 400), ("until=2026-03-03T14:00&as=%3Cb%3E", 200)],
)
def test_odd_questions_get_an_answer_or_one_clear_line(held: Services, query: str, code: int) -> None:
    answer = client(held).get(f"/sites/larkspur?{query}")
    assert answer.status_code == code
    assert "Traceback" not in answer.text


@pytest.mark.parametrize("query", ["span=decade", "until=yesterday", "until=" + "9" * 30])
def test_a_span_that_is_none_is_refused(held: Services, query: str) -> None:
    assert client(held).get(f"/sites/larkspur/history?{query}").status_code == 400


def test_us_units_are_shown_and_metric_ones(held: Services) -> None:
    assert "8.6 L/min" in client(held).get("/sites/larkspur").text
    held.installation.sites["larkspur"] = site(units=Units.US)
    assert "2.3 gal/min" in client(held).get("/sites/larkspur").text  # 8.6 / 3.785 (231 cubic inches)


@pytest.mark.parametrize("tail", PAGES)
def test_markup_in_names_topics_and_payloads_stays_text(held: Services, tail: str) -> None:
    hostile = replace(
        site(name=MARKUP), channels=(*site().channels, Channel(site().channels[0].quantity, MARKUP, MARKUP))
    )
    held.installation.sites["larkspur"] = hostile
    held.ledger.quarantine([Refusal("larkspur", MARKUP, MARKUP.encode(), NOW_MS, MARKUP)])
    raise_alarm(held, headline=MARKUP)
    publish(held, replace(forecast(), issued_at_ms=NOW_MS + 1, degraded=(MARKUP,)))
    html = client(held).get(f"/sites/larkspur{tail}").text
    assert "<script>alert" not in html
    assert "<img" not in html
    assert not [attributes for _, attributes in Tags(html).tags if "onerror" in attributes]
    assert MARKUP in Tags(html).text


def test_what_is_searched_for_is_echoed_as_text(held: Services) -> None:
    html = client(held).get(f"/?q={quote(MARKUP)}").text
    assert "<script>alert" not in html
    assert any(attributes.get("value") == MARKUP for _, attributes in Tags(html).tags)


@pytest.mark.parametrize("path", ["/", "/login", "/offline", "/sizing", *(f"/sites/larkspur{tail}" for tail in PAGES)])
def test_pages_keep_a_strict_policy(held: Services, path: str) -> None:
    answer = client(held).get(path)
    assert answer.status_code == 200
    policy = answer.headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "unsafe" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    for tag, attributes in Tags(answer.text).tags:
        assert tag != "style"
        assert "style" not in attributes
        assert not [name for name in attributes if name.startswith("on")]
        assert tag != "script" or attributes.get("src")
        for name in ("src", "href", "action"):
            assert (attributes.get(name) or "/").startswith(("/", "#", "?")), f"{tag} {name} leaves this server"


@pytest.mark.parametrize("code", languages())
def test_no_page_shows_a_blank_that_was_not_filled_in(held: Services, code: str) -> None:
    paths = [*(f"/sites/larkspur{tail}" for tail in PAGES), "/", "/setup", "/sizing", "/login", "/offline", "/nowhere"]
    for path in paths:
        shown = client(held).get(path, headers={"accept-language": code}).text
        said = re.sub(r"(?s)<script.*?</script>|<[^>]*>", "", shown)
        assert re.findall(r"\{[a-z_]+(?::[^}]*)?\}", said) == [], path
        assert "`" not in said, f"{path}: a command or a key is set as code"


def test_every_picture_has_its_table_and_its_csv(held: Services) -> None:
    html = client(held).get("/sites/larkspur/history?span=day").text
    for key in re.findall(r'id="h-(\w+)"', html):
        if key == "runs":
            continue
        got = client(held).get(f"/sites/larkspur/history/{key}.csv?span=day")
        assert got.status_code == 200, key
        head, *rows = list(csv.reader(io.StringIO(got.text)))
        assert head[:3] == ["start", "stop", "series"]
        assert rows, key
    assert html.count("<details") == html.count("data-hover") > 2


def test_runs_leave_as_csv_with_every_run_of_the_span(held: Services) -> None:
    got = client(held).get("/sites/larkspur/history/runs.csv?span=week")
    rows = list(csv.DictReader(io.StringIO(got.text)))
    assert len(rows) == 20
    assert {row["run_s"] for row in rows} == {"10.000"}
    assert got.headers["content-disposition"] == 'attachment; filename="larkspur-runs-week.csv"'


@pytest.mark.parametrize(
    "path", ["/sites/nowhere", "/sites/larkspur/nothing", "/sites/UPPER", "/static/../app.py", "/static/none.js"]
)
def test_what_is_not_there_is_a_page_that_says_so(held: Services, path: str) -> None:
    answer = client(held).get(path, headers={"accept": "text/html"})
    assert answer.status_code == 404
    assert "Traceback" not in answer.text


def test_a_store_that_is_away_is_said_without_its_inside(held: Services, monkeypatch: pytest.MonkeyPatch) -> None:
    def away(*_: object, **_how: object) -> None:
        raise StoreUnavailable("/secret/path/outlast.db: disk I/O error")

    monkeypatch.setattr(held.ledger, "newest", away)
    answer = client(held).get("/sites/larkspur")
    assert answer.status_code == 503
    assert "secret" not in answer.text
    assert words()("error.text_503") in answer.text


def test_an_alarm_is_acknowledged_and_shelved_by_forms(held: Services) -> None:
    browser = client(held)
    alarm = held.ledger.alarms()[0]
    token = form_token(browser.get("/sites/larkspur/alarms").text)
    form = {"form_token": token, "alarm": alarm.id}
    answer = browser.post("/sites/larkspur/alarms/acknowledge", data=form)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/sites/larkspur/alarms?asked={alarm.id}")
    assert browser.post("/sites/larkspur/alarms/shelve", data={**form, "hours": "4"}).status_code == 303
    asked = [(kind, target) for _, kind, target, _, _ in held.ledger.requests(0)]
    assert asked == [("acknowledge", alarm.id), ("shelve", alarm.id)]


@pytest.mark.parametrize(("scope", "named"), [("read", False), ("operate", True)])
def test_people_are_named_to_those_alone_who_may_operate(tmp_path: Path, scope: Rights, *, named: bool) -> None:
    made = services(tmp_path, {"larkspur": site()}, host="0.0.0.0")
    seen = replace(raise_alarm(made), state=AlarmState.ACKNOWLEDGED, acknowledged_ms=NOW_MS, acknowledged_by="Juniper")
    change = AlarmTransition(replace(seen, revision=seen.revision + 1), TransitionKind.ACKNOWLEDGED, NOW_MS)
    made.ledger.commit_transitions([change], [], [])
    made.ledger.save_test(DischargeTest("t", "larkspur", NOW_MS, "Juniper", None, None, NOW_MS + 1, EndReason.BY_HAND))
    _, secret = new_token(made.ledger, made.clock, "screen", scope, None)
    browser = client(made, "http://outlast.example")
    bearer = {"authorization": f"Bearer {secret}"}
    paths = ("/sites/larkspur", "/sites/larkspur/alarms", "/sites/larkspur/discharge")
    for path in (*paths, "/api/v1/sites/larkspur/alarms", "/api/v1/sites/larkspur/discharge-tests"):
        answer = browser.get(path, headers=bearer)
        assert answer.status_code == 200, path
        assert ("Juniper" in answer.text) is named, path
    made.close()


@pytest.mark.parametrize(("code", "said"), [("en", "the command line"), ("es", "la línea de órdenes")])
def test_who_gave_no_name_is_said_in_the_readers_language(held: Services, code: str, said: str) -> None:
    alarm = raise_alarm(held)
    seen = replace(
        alarm, state=AlarmState.ACKNOWLEDGED, acknowledged_ms=NOW_MS, acknowledged_by=COMMAND_LINE, revision=2
    )
    change = AlarmTransition(seen, TransitionKind.ACKNOWLEDGED, NOW_MS)
    held.ledger.commit_transitions([change], [], [])
    held.ledger.save_test(
        DischargeTest("t", "larkspur", NOW_MS, COMMAND_LINE, None, None, NOW_MS + 1, EndReason.BY_HAND)
    )
    for path in ("/", "/sites/larkspur/alarms", "/sites/larkspur/discharge"):
        assert said in unescape(client(held).get(path, headers={"accept-language": code}).text), path


WEATHER = {"weather.time": "$.hours[*].time", "weather.rain": "$.hours[*].mm"}


@pytest.mark.parametrize("host", ["127.0.0.1", "10.0.0.7", "[::1]", "169.254.1.2", "localhost"])
def test_set_up_takes_no_weather_from_inside_the_network(held: Services, host: str) -> None:
    """Ranges of the IANA special-purpose address registries (RFC 6890)."""
    browser = client(held)
    token = form_token(browser.get("/setup").text)
    form = {**LEAST, "id": "second", **WEATHER, "weather.url": f"http://{host}:8080/hourly", "form_token": token}
    for do in ("check", "write"):
        answer = browser.post("/setup", data={**form, "do": do})
        assert "lies inside a private network" in answer.text
    assert not (held.installation.folder / "sites" / "second.toml").exists()


def test_set_up_takes_a_weather_host_that_a_site_file_names(tmp_path: Path) -> None:
    service = WeatherService(url="http://10.0.0.7:8080/hourly", time="$.hours[*].time", rain="$.hours[*].mm")
    made = services(tmp_path, {"larkspur": replace(site(), weather=service)})
    (made.installation.folder / "sites").mkdir(exist_ok=True)
    browser = client(made)
    token = form_token(browser.get("/setup").text)
    form = {**LEAST, "id": "second", **WEATHER, "weather.url": service.url, "form_token": token}
    assert browser.post("/setup", data={**form, "do": "write"}).status_code == 303
    assert (made.installation.folder / "sites" / "second.toml").exists()
    made.close()


@pytest.mark.parametrize("token", ["", "0" * 128, "nonsense", "é"])
def test_a_form_without_its_token_changes_nothing(held: Services, token: str) -> None:
    alarm = held.ledger.alarms()[0]
    form = {"form_token": token, "alarm": alarm.id}
    assert client(held).post("/sites/larkspur/alarms/acknowledge", data=form).status_code == 403
    assert held.ledger.requests(0) == []


@pytest.mark.parametrize(
    "headers", [{"origin": "http://elsewhere.example"}, {"sec-fetch-site": "cross-site"}, {"origin": "null"}]
)
def test_a_form_of_another_site_changes_nothing(held: Services, headers: dict[str, str]) -> None:
    browser = client(held)
    token = form_token(browser.get("/sites/larkspur/alarms").text)
    form = {"form_token": token, "alarm": held.ledger.alarms()[0].id}
    assert browser.post("/sites/larkspur/alarms/acknowledge", data=form, headers=headers).status_code == 403
    assert held.ledger.requests(0) == []


def test_an_alarm_of_another_site_is_not_touched(held: Services) -> None:
    held.installation.sites["other"] = site("other")
    browser = client(held)
    token = form_token(browser.get("/sites/larkspur/alarms").text)
    form = {"form_token": token, "alarm": held.ledger.alarms()[0].id}
    assert browser.post("/sites/other/alarms/acknowledge", data=form).status_code == 404


def test_forms_carry_a_new_mask_each_time(held: Services) -> None:
    browser = client(held)
    assert form_token(browser.get("/sites/larkspur").text) != form_token(browser.get("/sites/larkspur").text)


def test_all_sites_stand_soonest_out_first(tmp_path: Path) -> None:
    sites: dict[str, Site] = {key: site(key, f"Site {key}") for key in ("late", "mains", "soon", "unknown")}
    made = services(tmp_path, sites)
    publish(made, forecast("late", middle_h=20.0))
    publish(made, forecast("mains", supply=Supply.MAINS, middle_h=2.0))
    publish(made, forecast("soon", middle_h=3.0))
    html = client(made).get("/").text
    only_pack = client(made).get("/?show=pack").text
    found = client(made).get("/?q=SOON site").text
    made.close()
    assert re.findall(r'href="/sites/(\w+)"', html) == ["soon", "late", "mains", "unknown"]
    assert re.findall(r'href="/sites/(\w+)"', only_pack) == ["soon", "late"]
    assert re.findall(r'href="/sites/(\w+)"', found) == ["soon"]


def test_five_hundred_sites_are_paged(tmp_path: Path) -> None:
    sites = {f"s{k}": site(f"s{k}", f"Cellar {k}") for k in range(500)}
    made = services(tmp_path, sites)
    made_last = client(made).get("/?page=5").text
    beyond = client(made).get("/?page=99").text
    found = client(made).get("/?q=cellar 499").text
    made.close()
    assert len(set(re.findall(r'href="/sites/(\w+)"', made_last))) == 100
    assert "Page 5 of 5" in beyond
    assert re.findall(r'href="/sites/(\w+)"', found) == ["s499"]


@pytest.fixture
def walled(tmp_path: Path) -> Iterator[Services]:
    """Two sites on an address that others can reach."""
    made = services(tmp_path, {"larkspur": site(), "other": site("other", "Other")}, host="0.0.0.0")
    publish(made, forecast())
    raise_alarm(made)
    yield made
    made.close()


def test_whoever_is_not_signed_in_is_led_to_the_login_and_back(walled: Services) -> None:
    browser = client(walled, "http://pump.example")
    answer = browser.get("/sites/larkspur")
    assert (answer.status_code, answer.headers["location"]) == (303, "/login?next=%2Fsites%2Flarkspur")
    _, secret = new_token(walled.ledger, walled.clock, "phone", "operate", None)
    entered = browser.post("/login", data={"token": secret, "next": "/sites/larkspur"})
    assert (entered.status_code, entered.headers["location"]) == (303, "/sites/larkspur")
    cookie = entered.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert browser.get("/sites/larkspur").status_code == 200


def test_over_tls_the_cookie_is_secure(walled: Services) -> None:
    _, secret = new_token(walled.ledger, walled.clock, "phone", "read", None)
    entered = client(walled, "https://pump.example").post("/login", data={"token": secret})
    assert "secure" in entered.headers["set-cookie"].lower()


@pytest.mark.parametrize(
    "wanted",
    ["//evil.example", "https://evil.example", "/\\evil.example", "evil", "/a\r\nSet-Cookie: x=1", "/\t/evil.example"],
)
def test_the_login_leads_to_this_server_alone(walled: Services, wanted: str) -> None:
    _, secret = new_token(walled.ledger, walled.clock, "phone", "read", None)
    entered = client(walled, "http://pump.example").post("/login", data={"token": secret, "next": wanted})
    assert entered.headers["location"] == "/"


def test_too_many_wrong_tokens_must_wait_a_minute(walled: Services) -> None:
    browser = client(walled, "http://pump.example")
    tried = [browser.post("/login", data={"token": f"outlast_0_{k}"}).status_code for k in range(6)]
    assert tried == [401] * 5 + [429]
    clock = walled.clock
    assert isinstance(clock, HeldClock)
    clock.move(61)
    assert browser.post("/login", data={"token": "outlast_0_x"}).status_code == 401


def signed_in(walled: Services, scope: str, only: str | None = None) -> tuple[object, str]:
    token, _ = new_token(walled.ledger, walled.clock, "phone", "read" if scope == "read" else "operate", only)
    return token, walled.keyring.open_session(token)


def test_who_may_read_sees_no_buttons_and_may_not_operate(walled: Services) -> None:
    _, session = signed_in(walled, "read")
    browser = client(walled, "http://pump.example")
    browser.cookies.set(COOKIE, session)
    html = browser.get("/sites/larkspur/alarms").text
    assert "/alarms/acknowledge" not in html
    form = {"form_token": form_token(html), "alarm": walled.ledger.alarms()[0].id}
    assert browser.post("/sites/larkspur/alarms/acknowledge", data=form).status_code == 403


def test_a_token_of_one_site_sees_no_other(walled: Services) -> None:
    _, session = signed_in(walled, "operate", "larkspur")
    browser = client(walled, "http://pump.example")
    browser.cookies.set(COOKIE, session)
    assert re.findall(r'href="/sites/(\w+)"', browser.get("/").text) == ["larkspur"]
    assert browser.get("/sites/other").status_code == 404
    assert browser.get("/setup").status_code == 403


def test_a_form_of_another_session_changes_nothing(walled: Services) -> None:
    _, session = signed_in(walled, "operate")
    _, foreign = signed_in(walled, "operate")
    other = client(walled, "http://pump.example")
    other.cookies.set(COOKIE, foreign)
    token = form_token(other.get("/sites/larkspur/alarms").text)
    browser = client(walled, "http://pump.example")
    browser.cookies.set(COOKIE, session)
    form = {"form_token": token, "alarm": walled.ledger.alarms()[0].id}
    assert browser.post("/sites/larkspur/alarms/acknowledge", data=form).status_code == 403


def test_leaving_ends_the_session_and_clears_what_was_kept(walled: Services) -> None:
    _, session = signed_in(walled, "read")
    browser = client(walled, "http://pump.example")
    browser.cookies.set(COOKIE, session)
    token = form_token(browser.get("/").text)
    left = browser.post("/logout", data={"form_token": token})
    assert left.status_code == 303
    assert "max-age=0" in left.headers["set-cookie"].lower()
    assert left.headers["clear-site-data"] == '"cache", "storage"'


@pytest.mark.parametrize("session", ["", "x", "a.b.c.d", "a.9999999999.c.", "é" * 20, "." * 400])
def test_a_forged_session_is_none(walled: Services, session: str) -> None:
    answer = client(walled, "http://pump.example").get("/", headers={"cookie": f"{COOKIE}={quote(session)}"})
    assert answer.status_code == 303


def test_static_files_are_stamped_packed_and_kept(held: Services) -> None:
    html = client(held).get("/sites/larkspur").text
    stamped = re.findall(r'"(/static/[^"]+\?v=[0-9a-f]{10})"', html)
    assert len(stamped) >= 4
    for path in stamped:
        got = client(held).get(path, headers={"accept-encoding": "gzip"})
        assert "immutable" in got.headers["cache-control"]
        assert path.split("?")[0].endswith(".png") or got.headers["content-encoding"] == "gzip"


def test_the_manifest_names_icons_that_are_there(held: Services) -> None:
    said = client(held).get("/manifest.webmanifest").json()
    assert {icon["sizes"] for icon in said["icons"]} >= {"192x192", "512x512"}
    for icon in said["icons"]:
        assert client(held).get(icon["src"]).headers["content-type"] == icon["type"]
