"""The weekly letter: once a week over restarts, what it says to whom, in which language, through a real mail server."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import datetime, timedelta
from email.message import EmailMessage
from pathlib import Path
from zoneinfo import ZoneInfo

import msgspec
import pytest

from api.deliver.mail import MailCarrier
from api.deliver.weekly import week_of
from api.process.letters import LetterWorker
from api.process.services import Services
from collector.config.site_file import site_from
from forecaster.alarms.plan import deliveries
from forecaster.domain.alarms import AlarmKind, TransitionKind
from forecaster.domain.errors import ConfigError
from forecaster.domain.records import StoredForecast
from forecaster.domain.runs import Outage
from forecaster.domain.site import Contact, Site, WeeklyLetter
from forecaster.engine.document import document
from tests.api.deliver.test_courier_mail import Mailbox, serving
from tests.api.delivering import courier, told
from tests.forecaster.evidence import DAY, HOUR, LARKSPUR, START_MS, forecast
from tests.scenario import HeldClock, services

CHICAGO = ZoneInfo("America/Chicago")
pytestmark = pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning")  # aiosmtpd leaves its last connection open

OWNER = Contact("Robin Owner", email="robin@example.org", weekly_letter=WeeklyLetter.HOMEOWNER)
MANAGER = Contact("Kim Manager", email="kim@example.org", weekly_letter=WeeklyLetter.MANAGER, phone="+1 555 0142")
NEIGHBOUR = Contact("Sam Neighbour", email="sam@example.org", phone="+1 555 0143")
ELDER = replace(
    LARKSPUR, id="elder", name="Elder Street pit", timezone="Europe/Madrid", language="es", contacts=(MANAGER,)
)
HOME = replace(LARKSPUR, contacts=(OWNER, NEIGHBOUR, MANAGER))


def page_of(site: str) -> str:
    return f"https://pump.example.org/sites/{site}"


class Post:
    """Houses, their ledger, a worker that writes letters, and a courier to a mail server."""

    def __init__(self, folder: Path, box: Mailbox, held: Services) -> None:
        self.box, self.held, self.clock = box, held, held.clock
        assert isinstance(held.clock, HeldClock)
        carrier = MailCarrier(held.installation.mail, held.ledger, held.clock, None, page_of)
        self.sender = courier(carrier, held.ledger, held.clock)
        self.folder = folder

    def publish(self) -> None:
        """A fresh forecast of every house."""
        now = self.clock.now_ms()
        made = [replace(forecast(now), site=site) for site in self.held.installation.sites]
        self.held.ledger.publish(
            [StoredForecast(one.site, now, msgspec.json.encode(document(one)).decode()) for one in made]
        )

    def look(self) -> list[EmailMessage]:
        """A worker that has just been started looks, the courier carries; the mails that came."""
        before = len(self.box.mails)
        LetterWorker(self.held).once()
        self.sender.turn()
        return self.box.mails[before:]


@pytest.fixture
def box() -> Mailbox:
    return Mailbox()


@pytest.fixture
def post(tmp_path: Path, box: Mailbox, request: pytest.FixtureRequest) -> Iterator[Post]:
    sites: tuple[Site, ...] = getattr(request, "param", (HOME,))
    clock = HeldClock(START_MS)
    with serving(box, tmp_path, "none") as settings:
        held = services(tmp_path, {site.id: site for site in sites}, clock=clock)
        held.installation = replace(held.installation, mail=settings)
        with closing(held):
            yield Post(tmp_path, box, held)


def text_of(mail: EmailMessage, kind: str = "plain") -> str:
    body = mail.get_body((kind,))
    assert body is not None
    return str(body.get_content()).replace("\r\n", "\n")


def to(mails: list[EmailMessage], address: str) -> EmailMessage:
    [mail] = [one for one in mails if one["To"] == address]
    return mail


def test_a_week_begins_on_monday_at_eight_whatever_the_clocks_do() -> None:
    """The clocks of Chicago go forward on 8 March 2026 (IANA tzdata)."""
    for day in (datetime(2026, 3, 2, 8), datetime(2026, 3, 9, 8)):
        begins = round(day.replace(tzinfo=CHICAGO).timestamp() * 1000)
        assert week_of("America/Chicago", begins) == (day.date().isoformat(), begins)
        before = day.date() - timedelta(days=7)
        assert week_of("America/Chicago", begins - 1)[0] == before.isoformat()


@pytest.mark.slow
def test_a_letter_comes_at_once_and_then_every_monday_over_any_number_of_restarts(post: Post) -> None:
    """From Tuesday 3 March, 10:02 in Chicago, for 20 days in steps of two hours, each with a new worker."""
    came: list[str] = []
    for _ in range(20 * 12):
        post.publish()
        for mail in post.look():
            if mail["To"] == OWNER.email:
                local = datetime.fromtimestamp(post.clock.now_ms() / 1000, CHICAGO)
                came.append(f"{local:%a %d %H}")
        assert isinstance(post.clock, HeldClock)
        post.clock.move(2 * 3600.0)
    assert came == ["Tue 03 10", "Mon 09 09", "Mon 16 09", "Mon 23 09"]
    keys = [mail["Message-ID"] for mail in post.box.mails]
    assert len(set(keys)) == len(keys)


def test_a_homeowner_reads_that_all_is_well_and_how_it_stands(post: Post) -> None:
    post.publish()
    mail = to(post.look(), "robin@example.org")
    text, html = text_of(mail), text_of(mail, "html")
    assert mail["Subject"] == "Larkspur Lane cellar: all well"
    assert text.startswith("Larkspur Lane cellar: all well at 10:02 CST today.")
    for said in ("Charge 100%", "No mains failure within the week.", "This letter comes every week."):
        assert said in text
        assert said in html
    assert "What stands" not in text


def test_no_letter_names_or_numbers_anybody(post: Post) -> None:
    trouble(post, HOME)
    post.publish()
    mails = post.look()
    assert len(mails) == 2
    for mail in mails:
        everything = mail.as_string()
        for person in (OWNER, NEIGHBOUR, MANAGER):
            assert person.name not in everything
            assert str(person.phone) not in everything or person.phone is None
            assert person.email == mail["To"] or str(person.email) not in everything


def test_what_stands_and_what_nobody_was_told_is_not_called_well(post: Post) -> None:
    trouble(post, HOME)
    post.held.ledger.record([Outage(HOME.id, START_MS - DAY, START_MS - DAY + 3 * HOUR, inferred=False)])
    post.publish()
    mail = to(post.look(), "robin@example.org")
    text = text_of(mail)
    assert mail["Subject"] == "Larkspur Lane cellar: please look"
    assert "What stands\n- HIGH WATER in the pit since 10:02" in text
    assert "What nobody was told\n- 10:02 CST: HIGH WATER" in text
    assert "One mains failure within the week, of 3 h." in text
    assert "Nobody has answered a test message within the last month." in text


def test_a_house_that_is_silent_is_not_called_well(post: Post) -> None:
    post.publish()
    assert isinstance(post.clock, HeldClock)
    post.clock.move(7 * 24 * 3600.0)
    text = text_of(to(post.look(), "robin@example.org"))
    assert text.startswith("Larkspur Lane cellar: not all is well")
    assert "There is no forecast of now" in text


@pytest.mark.parametrize("post", [(HOME, ELDER)], indirect=True)
def test_a_manager_gets_one_letter_about_all_their_houses_each_in_its_own_zone(post: Post) -> None:
    trouble(post, ELDER)
    post.publish()
    mails = post.look()
    assert sorted(mail["To"] for mail in mails) == ["kim@example.org", "robin@example.org"]
    mail = to(mails, "kim@example.org")
    text = text_of(mail)
    assert mail["Content-Language"] == "es"  # of the first house that names them
    assert mail["Subject"] == "Elder Street pit: conviene mirar"
    assert text.startswith("Elder Street pit: de 2 casas, 1 le necesitan")
    assert "Quién le necesita\n- Elder Street pit: " in text
    assert "17:02 CET: " in text
    assert "Todo en orden\n- Larkspur Lane cellar: " in text
    assert "Elder" not in text_of(to(mails, "robin@example.org"))
    told = {"kim@example.org": ("elder", "larkspur"), "robin@example.org": ("larkspur",)}
    for address, sites in told.items():
        for kind in ("plain", "html"):
            links = re.findall(r"https://pump\.example\.org/sites/[\w-]+", text_of(to(mails, address), kind))
            assert links == [page_of(site) for site in sites]
    assert "Larkspur Lane cellar ahora:\nhttps://pump.example.org/sites/larkspur" in text


def test_none_is_written_before_a_forecast_or_under_a_clock_that_lags(post: Post) -> None:
    assert post.look() == []
    post.publish()
    assert isinstance(post.clock, HeldClock)
    post.clock.move(-3600.0)
    assert post.look() == []
    post.clock.move(3600.0)
    assert len(post.look()) == 2


def test_quiet_hours_and_a_server_that_is_away_delay_a_letter_and_lose_none(post: Post, box: Mailbox) -> None:
    post.publish()
    box.answers = ["451 4.3.0 later", "451 4.3.0 later"]
    assert post.look() == []
    assert isinstance(post.clock, HeldClock)
    post.clock.move(3600.0)
    post.publish()
    assert len(post.look()) == 2
    assert post.look() == []


def test_a_letter_without_an_address_is_refused_by_name() -> None:
    text = """id = "a"
name = "A"
timezone = "Europe/Dublin"
[pump]
rated_voltage_v = 230
rated_power_w = 400
[pack]
capacity_wh = 1000
continuous_w = 900
[[contacts]]
name = "owner"
webhook = "https://example.org/hook"
weekly_letter = "homeowner"
"""
    with pytest.raises(ConfigError, match="weekly_letter goes by mail"):
        site_from(tomllib.loads(text), "a.toml")
    with pytest.raises(ConfigError, match="weekly_letter"):
        site_from(tomllib.loads(text.replace('"homeowner"', '"landlord"')), "a.toml")


def trouble(post: Post, site: Site) -> None:
    """High water that stands, and that every mailbox refused."""
    raised = told(AlarmKind.HIGH_WATER, TransitionKind.RAISED, site=site.id)
    owed = [item for item in deliveries(raised, site, START_MS) if item.channel == "mail"]
    post.held.ledger.commit_transitions([raised], owed, [])
    for item in owed:
        failed = replace(item, attempts=1, done_ms=START_MS + 1, gave_up=True, last_error="550 no such mailbox")
        post.held.ledger.settle(failed)
