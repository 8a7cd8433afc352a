"""The pages that change a site, without a script: every kind of thing changed, refused, made and taken back."""

from __future__ import annotations

import html
import json
import re
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.http.keyring import new_token
from api.pages.edit.fields import PARTS, EditField, FieldKind
from api.pages.edit.forms import change_in, text_of, value_of
from api.pages.edit.history import edit_lines
from api.pages.edit.rainrows import rain_rows, rows_text
from api.process.services import Services
from collector.config.refused import Refused
from collector.config.settings import Mail
from collector.config.site_file import site_toml
from collector.config.site_model import ChannelSection, ContactSection, LoadSection
from collector.editing.change import SiteChange
from forecaster.domain.alarms import AlarmKind
from forecaster.domain.quantities import Quantity
from forecaster.domain.records import SiteEdit
from forecaster.domain.site import Arrangement, Away, Contact, Pump
from forecaster.texts.catalogue import words
from forecaster.twin.bank import BankTruth, banked
from forecaster.twin.live import LARKSPUR, larkspur_site
from forecaster.twin.pair import PairTruth, paired_site
from tests.api.serving import described, serving

PEOPLE = (Contact("owner", email="o@example.org"), Contact("neighbour", email="n@example.org"))
EDIT = "/sites/larkspur/edit"
ENGLISH = {"accept-language": "en"}


@pytest.fixture
def house(tmp_path: Path) -> Iterator[tuple[TestClient, Services, Path]]:
    with serving(tmp_path) as (client, services):
        described(tmp_path)
        yield client, services, tmp_path / "sites" / "larkspur.toml"


FIELD = re.compile(
    r'<input (?=[^>]*name="([^"]+)")(?:[^>]*? value="([^"]*)")?[^>]*?( checked)?>'
    r'|<select name="([^"]+)".*?</select>'
    r'|<textarea name="([^"]+)"[^>]*>(.*?)</textarea>',
    re.DOTALL,
)


def filled(page: str) -> dict[str, str]:
    """The fields of a page's form as a browser would send them."""
    body = page[page.index('class="wide-form') :]
    found: dict[str, str] = {}
    for match in FIELD.finditer(body):
        if match[4]:
            chosen = re.search(r'<option value="([^"]*)" selected>', match[0])
            found[html.unescape(match[4])] = html.unescape(chosen[1]) if chosen else ""
        elif match[5]:
            found[html.unescape(match[5])] = html.unescape(match[6])
        elif 'type="checkbox"' not in match[0] or match[3]:
            found[html.unescape(match[1])] = html.unescape(match[2] or "")
    return found


def through(client: TestClient, part: str, values: dict[str, str]) -> str:
    """Fill a form in, look at the difference, save it. Returns the difference."""
    form = filled(client.get(f"{EDIT}/{part}", headers=ENGLISH).text) | values
    checked = client.post(f"{EDIT}/{part}", data=form, headers=ENGLISH)
    assert checked.status_code == 200, checked.text
    assert 'id="difference"' in checked.text, "nothing differs"
    again = filled(checked.text)
    assert {key: again.get(key) for key in values if values[key]} == {k: v for k, v in values.items() if v}
    saved = client.post(f"{EDIT}/{part}", data=again | {"do": "save", "by": "Ann"}, headers=ENGLISH)
    assert "Saved: " in saved.text, saved.text
    return html.unescape(
        re.sub(r"<[^>]+>", "", checked.text[checked.text.index('id="difference"') :].partition("</pre>")[0])
    )


@pytest.mark.parametrize(
    ("part", "values", "where", "value"),
    [
        ("house", {"name": "Cellar", "latitude": "41,5"}, ("name",), "Cellar"),
        ("house", {"groups": "north round, Ann"}, ("groups",), ["north round", "Ann"]),
        ("house", {"weather.url": "https://w.example.org/f", "weather.time": "$.t[*]", "weather.rain": "$.r[*]"},
         ("weather", "rain"), "$.r[*]"),
        ("house", {"rain_table.unit": "inch", "rain_table.years": "2, 10", "rain_table.rows": "1: 1.3, 2\n24: 3, 4.5"},
         ("rain_table", "rows", 1, "depths"), [3, 4.5]),
        ("plates", {"pump.horsepower": "1/2"}, ("pump", "horsepower"), 0.5),
        ("plates", {"pump.rated_current_a": "4.1 – 8.8"}, ("pump", "rated_current_a"), [4.1, 8.8]),
        ("plates", {"pit.diameter_m": "18 in"}, ("pit", "diameter_m"), 0.4572),
        ("plates", {"pack.chemistry": "agm"}, ("pack", "chemistry"), "agm"),
        ("loads", {"loads[1].name": "freezer", "loads[1].watts": "90"}, ("loads", 1, "watts"), 90),
        ("channels", {"channels[0].max_silence_s": "4 min"}, ("channels", 0, "max_silence_s"), 240),
        ("contacts", {"contacts[1].name": "neighbour", "contacts[1].email": "n@example.org",
                      "contacts[1].hours_to_reach": "0.5", "contacts[1].quiet_hours": "22:00-07:00"},
         ("contacts", 1, "hours_to_reach"), 0.5),
        ("contacts", {"contacts[0].webhook": "https://h.example.org/x", "contacts[0].webhook_secret": "a long secret"},
         ("contacts", 0, "webhook_secret"), "a long secret"),
        ("limits", {"alarms.low_reserve_h": "8", "alarms.off.test-due": "yes"}, ("alarms", "off"), ["test-due"]),
        ("away", {"away.from": "2026-03-01", "away.until": "2026-03-14", "away.look_after": "owner"},
         ("away", "look_after"), ["owner"]),
        ("pause", {"pause.until": "2026-03-14"}, ("pause", "until"), date(2026, 3, 14)),
        ("limits", {"alarms.limits.pump-overrun": "12"}, ("alarms", "limits", "pump-overrun"), 12),
    ],
)  # fmt: skip
def test_every_part_is_changed_and_taken_back(
    house: tuple[TestClient, Services, Path],
    part: str,
    values: dict[str, str],
    where: tuple[str | int, ...],
    value: object,
) -> None:
    client, services, path = house
    before = path.read_text(encoding="utf-8")
    difference = through(client, part, values)
    assert "a long secret" not in difference
    found: Any = tomllib.loads(path.read_text(encoding="utf-8"))
    for key in where:
        found = found[key]
    assert found == value
    [edit] = services.ledger.edits("larkspur")
    assert (edit.who, edit.part) == ("Ann", part)
    token = re.search(r'name="form_token" value="(\w+)"', client.get(EDIT).text)
    assert token is not None
    assert client.post(f"{EDIT}/undo", data={"edit": edit.id, "form_token": token[1]}).status_code == 200
    assert path.read_text(encoding="utf-8") == before


def test_all_that_is_wrong_stands_beside_its_field_at_once(house: tuple[TestClient, Services, Path]) -> None:
    client, _, path = house
    before = path.read_text(encoding="utf-8")
    form = filled(client.get(f"{EDIT}/contacts").text)
    form |= {
        "contacts[0].quiet_hours": "at night", "contacts[0].after_min": "soon", "contacts[0].email": "nobody",
        "contacts[1].name": "neighbour", "contacts[1].phone": "x",
    }  # fmt: skip
    answer = client.post(f"{EDIT}/contacts", data=form, headers=ENGLISH)
    assert answer.status_code == 422
    marked = set(
        re.findall(r'name="([^"]+)" id="[^"]+"[^>]* aria-invalid="true" aria-describedby="fault-\1"', answer.text)
    )
    assert marked >= {"contacts[0].after_min", "contacts[0].email", "contacts[1].phone"}
    assert set(re.findall(r'<li><a href="#([^"]+)">', answer.text)) >= marked
    assert 'value="at night"' in answer.text
    assert path.read_text(encoding="utf-8") == before
    spanish = client.post(f"{EDIT}/contacts", data=form, headers={"accept-language": "es"}).text
    assert "no es una dirección de correo" in html.unescape(spanish)


def test_a_form_that_grew_stale_is_refused_with_its_difference(house: tuple[TestClient, Services, Path]) -> None:
    client, services, path = house
    form = filled(client.get(f"{EDIT}/house").text) | {"name": "Cellar"}
    checked = filled(client.post(f"{EDIT}/house", data=form).text)
    by_hand = path.read_text(encoding="utf-8").replace("1024", "2048")
    path.write_text(by_hand, encoding="utf-8")
    answer = client.post(f"{EDIT}/house", data=checked | {"do": "save"}, headers=ENGLISH)
    assert answer.status_code == 409
    assert "+ name = &#34;Cellar&#34;" in answer.text
    assert filled(answer.text)["name"] != "Cellar"
    assert path.read_text(encoding="utf-8") == by_hand
    assert services.ledger.edits() == []


def test_nothing_is_saved_that_was_not_shown(house: tuple[TestClient, Services, Path]) -> None:
    """Save with another value than the difference was of shows the difference again; an unchanged form says so."""
    client, services, path = house
    before = path.read_text(encoding="utf-8")
    form = filled(client.get(f"{EDIT}/house").text)
    assert "Nothing differs" in client.post(f"{EDIT}/house", data=form, headers=ENGLISH).text
    checked = filled(client.post(f"{EDIT}/house", data=form | {"name": "Cellar"}).text)
    answer = client.post(f"{EDIT}/house", data=checked | {"name": "Other", "do": "save"}, headers=ENGLISH)
    assert "+ name = &#34;Other&#34;" in answer.text
    assert client.post(f"{EDIT}/house", data=form | {"name": "Other", "do": "save"}).status_code == 200
    assert path.read_text(encoding="utf-8") == before
    assert services.ledger.edits() == []


def test_people_are_put_in_order_and_removed(house: tuple[TestClient, Services, Path]) -> None:
    client, _, path = house
    through(client, "contacts", {"contacts[1].name": "neighbour", "contacts[1].email": "n@example.org"})
    through(client, "contacts", {"contacts[1].place": "0"})
    names = [one["name"] for one in tomllib.loads(path.read_text(encoding="utf-8"))["contacts"]]
    assert names[0] == "neighbour"
    through(client, "contacts", {"contacts[0].remove": "yes"})
    assert [one["name"] for one in tomllib.loads(path.read_text(encoding="utf-8"))["contacts"]] == names[1:]


def test_a_test_goes_to_one_person_alone(tmp_path: Path) -> None:
    with serving(tmp_path, beside=[replace(larkspur_site(), id="elder", contacts=PEOPLE)]) as (client, services):
        (tmp_path / "sites" / "elder.toml").write_text(site_toml(services.site("elder")), encoding="utf-8")
        services.installation = replace(services.installation, mail=Mail(host="127.0.0.1"))
        form = filled(client.get("/sites/elder/edit/contacts").text)
        answer = client.post("/sites/elder/edit/contacts/test", data=form | {"contact": "neighbour"}, headers=ENGLISH)
        assert "A test is on its way" in answer.text
        owed = services.ledger.due("mail", services.clock.now_ms())
        assert [(delivery.who, delivery.receiver) for delivery in owed] == [("neighbour", "n@example.org")]
        assert client.post("/sites/elder/edit/contacts/test", data=form | {"contact": "x"}).status_code == 404


def test_a_secret_is_kept_unless_it_is_replaced_or_removed(house: tuple[TestClient, Services, Path]) -> None:
    client, _, path = house
    through(
        client, "contacts", {"contacts[0].webhook": "https://h.example.org/", "contacts[0].webhook_secret": "12345678"}
    )
    assert "12345678" not in client.get(f"{EDIT}/contacts").text + client.get(EDIT).text
    through(client, "contacts", {"contacts[0].phone": "+1 555 0100"})
    assert "12345678" in path.read_text(encoding="utf-8")
    through(client, "contacts", {"contacts[0].webhook_secret.remove": "yes"})
    assert "12345678" not in path.read_text(encoding="utf-8")


def test_two_pumps_are_changed_one_by_one(tmp_path: Path) -> None:
    site = paired_site(larkspur_site(), PairTruth(LARKSPUR.pump, Pump(115.0, rated_power_w=400.0)), ())
    with serving(tmp_path) as (client, _):
        described(tmp_path)
        path = tmp_path / "sites" / "larkspur.toml"
        power = replace(larkspur_site().channels[0], topic="cellar/plug/power")
        channels = (power, replace(power, topic="cellar/plug-2/power", of="backup"))
        path.write_text(site_toml(replace(site, channels=channels, contacts=PEOPLE)), encoding="utf-8")
        page = client.get(f"{EDIT}/plates", headers=ENGLISH).text
        assert 'name="pump.rated_power_w"' not in page
        assert "Starts so much higher than the first one" in page
        through(client, "plates", {"pumps[1].starts_above_m": "0.15", "pumps[1].rated_flow_l_per_min": "90"})
        second = tomllib.loads(path.read_text(encoding="utf-8"))["pumps"][1]
        assert (second["id"], second["starts_above_m"], second["rated_flow_l_per_min"]) == ("backup", 0.15, 90)
        high = filled(client.get(f"{EDIT}/plates", headers=ENGLISH).text) | {"pumps[1].starts_above_m": "0.4"}
        refused = client.post(f"{EDIT}/plates", data=high, headers=ENGLISH)
        assert refused.status_code == 422
        assert "the floor is wet before it starts" in refused.text


def test_several_packs_are_changed_one_by_one(tmp_path: Path) -> None:
    site = banked(larkspur_site(), BankTruth({"left": 0.5, "right": 0.5}, Arrangement.PARALLEL), ())
    with serving(tmp_path) as (client, _):
        described(tmp_path)
        path = tmp_path / "sites" / "larkspur.toml"
        power = replace(larkspur_site().channels[0], topic="cellar/plug/power")
        each = [replace(power, quantity=Quantity.PACK_CHARGE, unit="%", of=name) for name in ("left", "right")]
        path.write_text(site_toml(replace(site, channels=(power, *each), contacts=PEOPLE)), encoding="utf-8")
        page = client.get(f"{EDIT}/plates", headers=ENGLISH).text
        assert 'name="pack.capacity_wh"' not in page
        through(client, "plates", {"packs[1].capacity_wh": "2048"})
        packs = tomllib.loads(path.read_text(encoding="utf-8"))["packs"]
        assert [(pack["id"], pack["capacity_wh"]) for pack in packs] == [("left", 512), ("right", 2048)]
        through(client, "plates", {"pack_arrangement": "in_turn"})
        assert tomllib.loads(path.read_text(encoding="utf-8"))["pack_arrangement"] == "in_turn"
        alone = filled(client.get(f"{EDIT}/plates", headers=ENGLISH).text) | {"packs[0].remove": "yes"}
        refused = client.post(f"{EDIT}/plates", data=alone, headers=ENGLISH)
        assert refused.status_code == 422
        assert "it lists one pack only" in refused.text


def test_only_who_may_operate_sees_and_sends_the_forms(tmp_path: Path) -> None:
    with serving(tmp_path, host="0.0.0.0") as (client, services):
        described(tmp_path)
        _, reader = new_token(services.ledger, services.clock, "Bob", "read", None)
        bearer = {"Authorization": f"Bearer {reader}"}
        for tail in ("", *(f"/{part}" for part in PARTS)):
            assert client.get(EDIT + tail, headers=bearer).status_code == 403
            assert client.post(f"{EDIT}{tail or '/undo'}", headers=bearer, data={"edit": 1}).status_code == 403
        assert "/edit" not in client.get("/sites/larkspur", headers=bearer).text


def test_the_forms_know_every_key_of_a_file() -> None:
    """Each key of the sections that have a form stands in one, but the file of headers, which a hand alone names."""
    shown = {table.name: {field.key for field in table.fields} for tables in PARTS.values() for table in tables}
    for name, section in (("contacts", ContactSection), ("loads", LoadSection), ("channels", ChannelSection)):
        keys = {field.alias or key for key, field in section.model_fields.items()}
        assert keys - shown[name] == ({"webhook_headers_file"} if name == "contacts" else set())
    assert {"low-reserve", "critical-reserve"} | shown["alarms.limits"] <= set(AlarmKind)


@pytest.mark.parametrize("value", [480, 0.125, "x", True, ["ON", True, 1, 2.5], [4.1, 8.8]])
def test_what_is_shown_stands_for_what_it_was(value: object) -> None:
    fields = [field for tables in PARTS.values() for table in tables for field in table.fields]
    kinds = {int: "number", float: "number", str: "text", bool: "yes", list: "marks"}
    kind = "range" if value == [4.1, 8.8] else kinds[type(value)]
    field = next(field for field in fields if field.kind == kind and field.unit in ("", "A"))
    assert value_of(field, text_of(field, value)) == value


ROWS = [{"hours": 0.25, "depths": [12.5, 17]}, {"hours": 24, "depths": [60, 90]}]


@pytest.mark.parametrize(
    "text",
    [
        "0.25: 12.5, 17\n24: 60, 90", "0,25: 12,5; 17,0\n\n24 : 60 ;90\n", "0.25:\t12.5\t17\n24:\t60\t90",
        "  0.25: 12.5 ,  17  \r\n24: 60,  90", "0,25: 12,5 17\n24: 60 90",
    ],
)  # fmt: skip
def test_rows_of_a_rain_table_are_read_as_they_are_typed_and_pasted(text: str) -> None:
    assert rain_rows(text) == ROWS
    assert rain_rows(rows_text(ROWS)) == ROWS


@pytest.mark.parametrize(
    "text", ["31, 45", "1: 31, x", "1: ", ": 31", "1: 31; ; 45", "1: -3", "1: 31,45,53", "1: 3: 4"]
)
def test_a_line_that_is_no_row_is_told_with_its_number(text: str) -> None:
    with pytest.raises(Refused, match="line 2") as told:
        rain_rows(f"1: 3, 4\n{text}")
    assert "a colon" in str(told.value.fix)


def test_a_rain_table_is_changed_by_a_row_and_taken_out(house: tuple[TestClient, Services, Path]) -> None:
    client, _, path = house
    before = path.read_text(encoding="utf-8")
    table = {"rain_table.unit": "mm", "rain_table.years": "2, 10", "rain_table.rows": "1: 30, 45\n24: 60, 90"}
    through(client, "house", table)
    through(client, "house", {"rain_table.rows": "1: 30, 45\n24: 60, 95"})
    assert tomllib.loads(path.read_text(encoding="utf-8"))["rain_table"]["rows"][1] == {"hours": 24, "depths": [60, 95]}
    form = filled(client.get(f"{EDIT}/house", headers=ENGLISH).text)
    assert form["rain_table.rows"] == "1: 30, 45\n24: 60, 95"
    for rows, said in (
        ("1: 30, 45\n24: 0.6, 0.9", "is no rain of such a table"),
        ("1: thirty", "is no row of the table"),
    ):
        refused = client.post(f"{EDIT}/house", data=form | {"rain_table.rows": rows}, headers=ENGLISH)
        assert refused.status_code == 422
        assert said in html.unescape(refused.text)
        assert 'id="fault-rain_table.rows"' in refused.text
    through(client, "house", dict.fromkeys(table, ""))
    assert tomllib.loads(path.read_text(encoding="utf-8")) == tomllib.loads(before)


@pytest.mark.parametrize(
    ("text", "ends"),
    [
        ("4.1 – 8.8", [4.1, 8.8]), ("4.1-8.8", [4.1, 8.8]), ("4.1 - 8.8", [4.1, 8.8]), ("4,1 .. 8,8", [4.1, 8.8]),
        ("-20 – 45", [-20, 45]), ("-20 - -5", [-20, -5]), ("-20--5", [-20, -5]), ("-20..-5", [-20, -5]),
        ("-20 – -5", [-20, -5]), ("-20 °C - 104 °F", [-20, 40]), ("1e-3-5", [0.001, 5]), ("-7", -7),
    ],
)  # fmt: skip
def test_a_sign_of_an_end_is_no_hyphen_of_the_range(text: str, ends: object) -> None:
    field = EditField("between", FieldKind.RANGE, "", unit="degC")
    assert value_of(field, text) == ends
    assert value_of(field, text_of(field, ends)) == ends


def test_a_site_is_removed_only_when_asked_twice_and_comes_back(house: tuple[TestClient, Services, Path]) -> None:
    client, services, path = house
    before = path.read_text(encoding="utf-8")
    first = client.get(f"{EDIT}/remove", headers=ENGLISH).text
    fields = dict(re.findall(r'name="(form_token|stamp)" value="(\w+)"', first))
    assert 'name="named"' not in first
    second = client.post(f"{EDIT}/remove", data=fields, headers=ENGLISH)
    assert 'name="named"' in second.text
    wrong = client.post(f"{EDIT}/remove", data=fields | {"do": "remove", "named": "elsewhere"}, headers=ENGLISH)
    assert (wrong.status_code, path.exists()) == (422, True)
    assert (
        client.post(f"{EDIT}/remove", data=fields | {"do": "remove", "named": "larkspur", "stamp": "0"}).status_code
        == 409
    )
    gone = client.post(f"{EDIT}/remove", data=fields | {"do": "remove", "named": "larkspur"}, headers=ENGLISH)
    assert not path.exists()
    assert "Bring it back" in gone.text
    [edit] = services.ledger.edits()
    assert 'href="/removed"' in client.get("/setup", headers=ENGLISH).text
    back = client.post("/removed", data={"form_token": fields["form_token"], "edit": edit.id}, follow_redirects=False)
    assert (back.status_code, path.read_text(encoding="utf-8")) == (303, before)
    assert "No site was removed" in client.get("/removed", headers=ENGLISH).text
    assert client.post("/removed", data={"form_token": fields["form_token"], "edit": edit.id}).status_code == 404


def test_pages_say_that_a_site_is_paused_or_looked_after_by_others(tmp_path: Path) -> None:
    elder = replace(
        larkspur_site(), id="elder", paused_until=date(2026, 3, 9), away=Away(date(2026, 3, 1), date(2026, 3, 8))
    )
    with serving(tmp_path, beside=[elder]) as (client, _):
        page = client.get("/sites/elder/alarms", headers=ENGLISH).text
        assert "paused until 2026-03-09" in page
        assert "Away until 2026-03-08" in page
        assert "paused" not in client.get("/sites/larkspur/alarms", headers=ENGLISH).text
        assert "alarms paused" in client.get("/", headers=ENGLISH).text
        told = client.get("/api/v1/sites/elder").json()
        assert (told["paused_until"], told["away"]) == ("2026-03-09", {"from": "2026-03-01", "until": "2026-03-08"})


def test_changed_limits_say_what_they_would_have_done(house: tuple[TestClient, Services, Path]) -> None:
    """From the forecasts that were kept: the outage of the scenario, whose range begins above two hours."""
    client, services, _ = house
    now_ms = services.clock.now_ms()
    outage = next(one for one in services.ledger.outages("larkspur") if one.end_ms is None)
    kept = services.ledger.forecasts("larkspur", outage.start_ms, now_ms)
    low = sorted(
        document["hours_remaining"]["p10"]
        for document in (json.loads(one.document) for one in kept)
        if document["supply"] == "pack"
    )
    above, below = low[-1] + 1.0, low[0] / 2.0
    form = filled(client.get(f"{EDIT}/limits").text)
    for limit, raised in ((above, 1), (below, 0)):
        asked = form | {"alarms.low_reserve_h": f"{limit:.6f}", "alarms.critical_reserve_h": f"{below / 2:.6f}"}
        said = html.unescape(client.post(f"{EDIT}/limits", data=asked, headers=ENGLISH).text)
        assert re.search(rf"Reserve getting low: [^<]* raised in {raised}, below 6 h in", said), said
        assert re.search(r"Reserve nearly gone: [^<]* raised in 0, below 2 h in", said)
        assert words("en")("edit.preview_others") not in said
        assert words("en")("edit.preview_rests") in said
    asked = form | {"alarms.off.test-due": "yes"}
    others = words("en")("edit.preview_others")
    assert others in client.post(f"{EDIT}/limits", data=asked, headers=ENGLISH).text


def test_a_form_over_many_elements_removes_none() -> None:
    """In: 203 loads and a form that changes none. Out: no change."""
    (loads,) = PARTS["loads"]
    content = {"loads": [{"name": f"load {number}", "watts": 5.0} for number in range(203)]}
    assert change_in((loads,), content, {}, "larkspur.toml").change == SiteChange()


def test_what_was_taken_back_three_times_over_is_undone() -> None:
    """In: a change, and three that each take back the one before. Out: what stands can be taken back, and no more."""
    edits = [_edit(number, undoes=number - 1 or None) for number in range(1, 5)]
    shown = edit_lines(edits, larkspur_site(), words(), 0)
    assert [line.can_undo for line in shown] == [False, True, False, True]


def _edit(number: int, undoes: int | None) -> SiteEdit:
    return SiteEdit("larkspur", number, "owner", "pit", "a = 1\n", f"a = {number + 1}\n", undoes, number)
