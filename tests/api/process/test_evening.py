"""What was seen on the running program, seen again on whole processes: who is told of what, when, and in which words.

One process, a real broker, mail server and receivers, and an evening in nine houses, each with a fault of its own.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from datetime import datetime
from email.message import EmailMessage
from typing import Any
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import httpx
import pytest

from api.deliver.cap import NAMESPACE
from tests.api.deliver.test_courier_mail import Mailbox, serving
from tests.api.delivering import Receiver, listening
from tests.api.mosquitto import Hub
from tests.api.process.evening import (
    BACK,
    BEGIN_MS,
    DIES,
    END,
    FIRST,
    MINUTE_MS,
    SECOND,
    STORM,
    Home,
    houses,
)
from tests.api.process.lapse import Lapse, lapsing
from tests.engines import free_port
from tests.faults.house import CELLAR, DRAWDOWN_L
from tests.faults.test_told import mail_of
from tests.servers import running_mosquitto

pytestmark = pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning")  # aiosmtpd leaves its last connection open

CHICAGO = ZoneInfo("America/Chicago")
PERSON = re.compile(r"Robin|Sam|555 0142|robin@|sam@")
UNZONED = re.compile(r"(?<![\d:])\d\d:\d\d(?! C[SD]T)(?![\d:])")
"""A clock time without its zone."""


@dataclass
class Evening:
    """What came of it.

    mails : with the minute by which each had come; hub, hooks : everything in order
    answers : what was asked on the way, by name; alarms : all of them at the end; wet : when floors were wet [minutes]
    """

    mails: list[tuple[float, EmailMessage]] = field(default_factory=list)
    hub: list[tuple[str, bytes]] = field(default_factory=list)
    hooks: list[tuple[str, bytes]] = field(default_factory=list)
    answers: dict[str, httpx.Response] = field(default_factory=dict)
    alarms: list[dict[str, Any]] = field(default_factory=list)
    wet: dict[str, float] = field(default_factory=dict)

    def to(self, site: str, part: str = "") -> list[tuple[float, EmailMessage]]:
        """The mails about a house whose subject has a part."""
        named = ((at, mail, mail["Subject"].strip()) for at, mail in self.mails)  # folding may leave a space before
        return [(at, mail) for at, mail, says in named if says.startswith(f"Larkspur Lane {site}: ") and part in says]

    def alarm(self, site: str, kind: str) -> dict[str, Any]:
        [found] = [one for one in self.alarms if (one["site"], one["kind"]) == (site, kind)]
        return found


def strides() -> list[float]:
    """The minutes to which the clock is set: one after the other, and closely while the dead pumps are waited for."""
    return [*range(1, DIES), *(DIES + 0.25 * n for n in range(24)), *(DIES + 6 + 1.5 * n for n in range(36))]


def ask_on_the_way(lapse: Lapse, minute: float, found: Evening) -> None:
    """What somebody looks at meanwhile."""
    client = lapse.client
    if minute == FIRST + 3:
        found.answers["test on the pack"] = client.post("/api/v1/sites/night/discharge-tests", json={})
    if minute == BACK + 5:
        found.answers["page after the first failure"] = client.get("/sites/night/alarms")
    if minute == END:
        found.alarms = client.get("/api/v1/alarms").json()["alarms"]
        low = found.alarm("night", "low-reserve")["id"]
        found.answers["low reserve"] = client.get(f"/api/v1/alarms/{low}")


def wet_minute(home: Home) -> float:
    """When the floor of a house was wet whose pump is dead: its water has only risen since."""
    rise_l = 1000.0 * (CELLAR.pit.area_m2 or 0.0) * (CELLAR.pit.freeboard_m or 0.0)
    return END - (home.cellar.water_l - DRAWDOWN_L - rise_l) / STORM


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Evening:
    root = tmp_path_factory.mktemp("evening")
    folder, port, box, found = root / "lane", free_port(), Mailbox(), Evening()
    (folder / "sites").mkdir(parents=True)
    with (
        running_mosquitto(root / "mosquitto") as broker,
        listening(Receiver()) as receiver,
        serving(box, root, "none") as settings,
    ):
        lane = houses(f"http://127.0.0.1:{receiver.port}")
        for home in lane:
            (folder / "sites" / f"{home.id}.toml").write_text(home.site)
        main = f'[broker]\nurl = "{broker.url}"\n[http]\nport = {port}\n{mail_of(settings.port)}'
        (folder / "outlast.toml").write_text(main)
        hub = Hub(broker.port, "outlast/#", "homie/#")
        past = sorted((one for home in lane for one in home.past()), key=lambda one: one.time_ms)
        with lapsing(folder, broker, port, BEGIN_MS, past) as lapse:
            for minute in strides():
                sent = sorted((one for home in lane for one in home.until(minute)), key=lambda one: one[0])
                lapse.go(BEGIN_MS + round(minute * MINUTE_MS), sent)
                found.mails += [(minute, mail) for mail in box.mails[len(found.mails) :]]
                ask_on_the_way(lapse, minute, found)
        hub.close()
        found.hub = hub.all
        found.hooks = [(one.path, one.body) for one in receiver.heard]
        found.wet = {home.id: wet_minute(home) for home in lane if home.id in ("storm", "dark")}
    return found


def text_of(mail: EmailMessage) -> str:
    body = mail.get_body(("plain",))
    assert body is not None
    return str(body.get_content())


def clock_at(minute: float) -> datetime:
    return datetime.fromtimestamp(BEGIN_MS / 1000.0 + 60.0 * minute, CHICAGO)


def test_seen_1_no_test_begins_on_the_pack(evening: Evening) -> None:
    answer = evening.answers["test on the pack"]
    assert answer.status_code == httpx.codes.CONFLICT
    assert "pack" in answer.json()["detail"]


def test_seen_3_what_names_the_act_is_told_in_the_night_and_again_after_the_mains_was_back(evening: Evening) -> None:
    """In: mains lost at 22:12 and 22:50, within the contact's quiet hours; each time the reserve is short soon after.
    Out: both are told as they are raised, and somebody has taken them; and whoever was sent for hears at once that the
    mains is back."""
    low = evening.to("night", "Pack running low")
    assert len(low) == 2
    (first, _), (second, mail) = low
    assert FIRST < first < FIRST + 30
    assert SECOND < second < SECOND + 30
    assert "have a generator or charged pack brought" in text_of(mail)
    assert "Generators stay outdoors" in text_of(mail)
    taken = [one for one in evening.answers["low reserve"].json()["told"] if one["who"] == "Robin Ownerly"]
    assert {(one["channel"], one["outcome"]) for one in taken} == {("mail", "told"), ("webhook", "told")}
    [(back, _)] = evening.to("night", "Mains back")
    assert BACK < back < BACK + 6


@pytest.mark.parametrize("site", ["storm", "dark"])
def test_seen_8_a_dead_pump_in_a_storm_is_told_before_the_floor_is_wet(evening: Evening, site: str) -> None:
    """In: 12 L/min, on mains and on the pack. Out: a mail that has come before, and says when the floor will be wet."""
    (told, mail), *_ = evening.to(site, "a run is overdue")
    wet = evening.wet[site]
    assert DIES < told < wet - 1.0
    said = re.search(r"the floor may be wet about (\d\d):(\d\d) CST", mail["Subject"])
    assert said is not None
    at = clock_at(wet).replace(hour=int(said[1]), minute=int(said[2]))
    assert abs((at - clock_at(wet)).total_seconds()) <= 120.0
    assert "Never step into water" in text_of(mail)


def test_seen_8_the_floor_of_the_charge_is_told_with_the_wet_floor(evening: Evening) -> None:
    (_, mail), *_ = evening.to("floor", "Pack down to its 10% floor")
    assert re.search(r"the floor may be wet from \d\d:\d\d CST", mail["Subject"])


def test_seen_9_a_clogged_discharge_is_told(evening: Evening) -> None:
    """In: 43 % less water (1 - 12/21), 12 % fewer watts. Out: told within twelve runs, about as large as it is."""
    [(_, mail)] = evening.to("clogged")
    said = re.search(r"moves about (\d+)% less water", mail["Subject"])
    assert said is not None
    assert 30 <= int(said[1]) <= 50
    assert "discharge line" in text_of(mail)
    assert "with the pump unplugged" in text_of(mail)


@pytest.mark.parametrize(
    ("site", "says"),
    [
        ("unheard", "Never heard: pack output power"),
        ("stuck", "has stood at 40% ever since it was first heard"),
        ("refusing", "Much of refusing/pump_power is refused"),
    ],
)
def test_seen_10_what_never_works_is_an_alarm(evening: Evening, site: str, says: str) -> None:
    """In: a topic with a wrong case; a pack at 40 % from its first message; "n/a" in place of each tenth power."""
    assert len(evening.to(site, says)) == 1
    assert evening.alarm(site, "channel-failing")["cleared"] is None


def test_seen_7_every_clock_time_has_its_zone_and_every_body_opens_with_the_house(evening: Evening) -> None:
    for _, mail in evening.mails:
        assert UNZONED.findall(f"{mail['Subject']}\n{text_of(mail)}") == []
        assert text_of(mail).startswith("Larkspur Lane "), text_of(mail)
    alarms = [json.loads(body) for topic, body in evening.hub if re.fullmatch(r"outlast/\w+/alarm/[\w-]+", topic)]
    alarms += [json.loads(body) for path, body in evening.hooks if path == "/json"]
    for said in alarms:
        assert UNZONED.findall(f"{said['headline']} {said['action']} {said['consequence']}") == []
        assert said["headline"].startswith("Larkspur Lane ")
    assert len(alarms) > len(evening.mails)
    homie = [body.decode() for topic, body in evening.hub if topic.startswith("homie/5/") and b" CST" in body]
    assert homie
    assert [said for said in homie if UNZONED.findall(said)] == []
    caps = [ElementTree.fromstring(body) for path, body in evening.hooks if path == "/cap"]
    assert caps
    for alert in caps:
        headline, description = (
            alert.findtext(f".//{{{NAMESPACE}}}{name}") or "" for name in ("headline", "description")
        )
        assert headline.startswith("Larkspur Lane night")
        assert UNZONED.findall(f"{headline} {description}") == []


def test_seen_11_who_is_far_away_reads_whom_to_call_and_nobody_else_does(evening: Evening) -> None:
    [over] = [text_of(mail) for _, mail in evening.to("night", "Mains back")]
    told = [text_of(mail) for _, mail in evening.to("night") if mail["To"] == "robin@example.org"]
    assert len(told) > 1
    for text in told:
        assert ("Far away: call Sam Nextdoor at +1 555 0142" in text) is (text != over)
    assert [topic for topic, body in evening.hub if PERSON.search(body.decode())] == []
    assert [path for path, body in evening.hooks if PERSON.search(body.decode())] == []


def test_seen_11_an_alarm_that_is_over_is_not_red_and_asks_for_nothing(evening: Evening) -> None:
    page = evening.answers["page after the first failure"].text
    cards = re.findall(r'<li class="alarm ([\w ]+)">(.*?)</li>', page, re.DOTALL)
    assert {kind for kind, _ in cards} == {"over"}
    own = ["Mains back at 22:36" in card for _, card in cards]
    assert sum(own) == 1, "the mains' own card"
    for (_, card), mains in zip(cards, own, strict=True):
        assert mains or "Mains is back" in card
        assert "Otherwise" not in card
        assert "What to do" not in card
