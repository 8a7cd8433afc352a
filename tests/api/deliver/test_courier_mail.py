"""Mail through a real SMTP server: STARTTLS, TLS, refusals; what the mail says; links that expire and do not act by
being opened."""

from __future__ import annotations

import asyncio
import email
import email.policy
import gc
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from email.message import EmailMessage
from pathlib import Path
from typing import Any, Literal

import msgspec
import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from api.deliver.chart import bars, chart_text, colour
from api.deliver.letter import message_id
from api.deliver.links import LIFE_MS, Ticket, Tickets
from api.deliver.mail import MailCarrier, sender_of
from collector.config.settings import Mail
from forecaster.domain.errors import ConfigError
from forecaster.domain.forecast import SurvivalPoint
from forecaster.domain.ports import Ledger
from forecaster.domain.records import StoredForecast
from forecaster.engine.document import document
from forecaster.texts.wording import Wording
from tests.api.delivering import SteppedClock, carry, courier, ledger_in, queue, told
from tests.brokers import make_certificates
from tests.engines import free_port
from tests.forecaster.evidence import HOUR, LARKSPUR, START_MS, forecast

Security = Literal["starttls", "tls", "none"]

pytestmark = pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning")  # aiosmtpd leaves its last connection open


class Mailbox:
    """Takes mails, and first answers as it is told.

    answers : SMTP replies to the next recipients; None takes the mail
    dawdles_s : how long the next recipients are thought over [s]
    asked : the recipients named, in order
    """

    def __init__(self, answers: list[str] | None = None) -> None:
        self.answers = answers or []
        self.dawdles_s: list[float] = []
        self.hangs_for: set[str] = set()
        self.released = threading.Event()
        self.asked: list[str] = []
        self.mails: list[EmailMessage] = []
        self.__dict__.update({"handle_RCPT": self.recipient, "handle_DATA": self.data})  # the library's hook names

    async def recipient(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        del server, session, options
        self.asked.append(address)
        if address in self.hangs_for:
            await asyncio.to_thread(self.released.wait)
        if self.dawdles_s:
            await asyncio.sleep(self.dawdles_s.pop(0))
        if self.answers:
            return self.answers.pop(0)
        envelope.rcpt_tos.append(address)
        return "250 OK"

    def release(self) -> None:
        """Let those who hang go on."""
        self.released.set()

    async def data(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        del server, session
        content = envelope.content
        assert isinstance(content, bytes)
        mail = email.message_from_bytes(content, policy=email.policy.default)
        assert isinstance(mail, EmailMessage)
        self.mails.append(mail)
        return "250 taken"


@contextmanager
def serving(box: Mailbox, folder: Path, security: Security, port: int | None = None) -> Iterator[Mail]:
    """An SMTP server with its own certificate authority; yields the settings that reach it."""
    if not (folder / "certs").exists():
        make_certificates(folder / "certs")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / "certs" / "broker.crt", folder / "certs" / "broker.key")
    options: dict[str, Any] = {}
    if security == "starttls":
        options = {"tls_context": context, "require_starttls": True}
    if security == "tls":
        options = {"ssl_context": context}
    chosen = port or free_port()
    server = Controller(box, hostname="127.0.0.1", port=chosen, **options)
    server.start()
    try:
        yield Mail(
            host="127.0.0.1",
            port=chosen,
            security=security,
            sender="pump@example.org",
            ca_file=folder / "certs" / "ca.crt",
        )
    finally:
        server.stop()
        gc.collect()  # its last connection stands in a cycle: here, not in whatever test comes next


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    made = ledger_in(tmp_path)
    curve = tuple(SurvivalPoint(START_MS + hour * HOUR, max(0.0, 1.0 - hour / 20.0)) for hour in range(48))
    ahead = document(forecast(START_MS, survival=curve))
    made.publish([StoredForecast("larkspur", START_MS, msgspec.json.encode(ahead).decode())])
    yield made
    made.close()


KEY = b"an installation's own key"


def carrier_for(settings: Mail, ledger: Ledger, clock: SteppedClock) -> MailCarrier:
    base = "https://pump.example.org"
    return MailCarrier(settings, ledger, clock, Tickets(KEY, base), lambda site: f"{base}/sites/{site}")


@pytest.mark.parametrize("security", ["starttls", "tls", "none"])
def test_a_mail_arrives_once_with_all_that_is_needed(
    ledger: Ledger, clock: SteppedClock, tmp_path: Path, security: Security
) -> None:
    box = Mailbox()
    with serving(box, tmp_path, security) as settings:
        owed = queue(ledger, LARKSPUR, [told()], clock.now_ms(), "mail")
        sender = courier(carrier_for(settings, ledger, clock), ledger, clock)
        carry(sender, clock, hours=0.02)
    [mail] = box.mails
    assert mail["Subject"].startswith("Larkspur Lane cellar: HIGH WATER in the pit since 10:02")
    assert mail["To"] == "owner@example.org"
    assert mail["Outlast-Key"] == owed[0].key
    assert mail["Message-ID"] == message_id(owed[0].key, "example.org")
    assert mail["Auto-Submitted"] == "auto-generated"
    text, html = mail.get_body(("plain",)), mail.get_body(("html",))
    assert text is not None
    assert html is not None
    for body in (text.get_content(), html.get_content()):
        assert "have someone look from the stairs" in body
        assert "https://pump.example.org/acknowledge/" in body
        assert "https://pump.example.org/sites/larkspur" in body
        assert "no life-safety device" in body
        assert "10:05" in body  # act by, rounded to five minutes in the site's zone
    assert "#####" in text.get_content()
    assert "<table" in html.get_content()
    assert "<script" not in html.get_content()
    assert "<img" not in html.get_content()


def test_the_same_delivery_keeps_its_message_id() -> None:
    """RFC 5322 section 3.6.4: a Message-ID belongs to one message, so a repeat of it can be dropped."""
    assert message_id("a:1", "example.org") == message_id("a:1", "example.org")
    assert message_id("a:1", "example.org") != message_id("a:2", "example.org")


def test_a_server_down_for_an_hour_gets_the_mail_when_it_is_back(
    ledger: Ledger, clock: SteppedClock, tmp_path: Path
) -> None:
    port, box = free_port(), Mailbox()
    settings = Mail(host="127.0.0.1", port=port, security="none", sender="pump@example.org")
    sender = courier(carrier_for(settings, ledger, clock), ledger, clock)
    queue(ledger, LARKSPUR, [told()], clock.now_ms(), "mail")
    carry(sender, clock, hours=1.0)
    assert sender.failed > 5
    with serving(box, tmp_path, "none", port):
        carry(sender, clock, hours=0.1)
    assert len(box.mails) == 1
    assert sender.faults.standing() == {}


@pytest.mark.parametrize(
    ("reply", "mails", "gave_up"),
    [("451 try later", 1, 0), ("450 busy", 1, 0), ("550 no such mailbox", 0, 1), ("530 login first", 1, 0)],
)
def test_replies_have_their_meaning(
    ledger: Ledger, clock: SteppedClock, tmp_path: Path, reply: str, mails: int, gave_up: int
) -> None:
    """RFC 5321 section 4.2.1: 4yz may be tried again, 5yz not; RFC 4954 section 6: 530 asks for a login."""
    box = Mailbox([reply])
    with serving(box, tmp_path, "none") as settings:
        queue(ledger, LARKSPUR, [told()], clock.now_ms(), "mail")
        sender = courier(carrier_for(settings, ledger, clock), ledger, clock)
        carry(sender, clock, hours=0.05)
    assert len(box.mails) == mails
    assert sender.gave_up == gave_up


def test_a_certificate_of_an_unknown_authority_sends_nothing(
    ledger: Ledger, clock: SteppedClock, tmp_path: Path
) -> None:
    box = Mailbox()
    with serving(box, tmp_path, "starttls") as settings:
        strict = settings.model_copy(update={"ca_file": None})
        queue(ledger, LARKSPUR, [told()], clock.now_ms(), "mail")
        sender = courier(carrier_for(strict, ledger, clock), ledger, clock)
        sender.turn()
    assert box.mails == []
    assert "CERTIFICATE_VERIFY_FAILED" in next(iter(sender.faults.standing().values())).error


def test_starttls_is_never_given_up_for_plain_text(ledger: Ledger, clock: SteppedClock, tmp_path: Path) -> None:
    box = Mailbox()
    with serving(box, tmp_path, "none") as settings:
        asked = settings.model_copy(update={"security": "starttls"})
        queue(ledger, LARKSPUR, [told()], clock.now_ms(), "mail")
        sender = courier(carrier_for(asked, ledger, clock), ledger, clock)
        sender.turn()
    assert box.mails == []
    assert sender.failed == 1


def test_a_server_that_dawdles_is_cut_off_and_asked_again(
    ledger: Ledger, clock: SteppedClock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.deliver.mail.TIMEOUT_S", 0.5)
    box = Mailbox()
    box.dawdles_s = [5.0]
    with serving(box, tmp_path, "none") as settings:
        queue(ledger, LARKSPUR, [told()], clock.now_ms(), "mail")
        sender = courier(carrier_for(settings, ledger, clock), ledger, clock)
        carry(sender, clock, hours=0.05)
    assert sender.failed == 1
    assert sender.sent == 1
    assert len({mail["Message-ID"] for mail in box.mails}) == 1


@pytest.mark.parametrize("greeting", [b"220-", b"220 mail.example.org\r\n250-"], ids=["greeting", "ehlo"])
def test_an_answer_without_an_end_is_cut_off(ledger: Ledger, clock: SteppedClock, greeting: bytes) -> None:
    """In: a server that adds lines to its answer for ever. Out: hung up on long before it has filled the memory."""
    poured = 0

    def pour(listens: socket.socket) -> None:
        nonlocal poured
        end, _ = listens.accept()
        with end, suppress(OSError):
            end.sendall(greeting)
            while True:
                poured += end.send(b"x" * 4_000 + b"\r\n250-")

    with socket.create_server(("127.0.0.1", 0)) as listens:
        pouring = threading.Thread(target=pour, args=(listens,))
        pouring.start()
        settings = Mail(host="127.0.0.1", port=listens.getsockname()[1], sender="pump@example.org", security="none")
        queue(ledger, LARKSPUR, [told()], clock.now_ms(), "mail")
        sender = courier(carrier_for(settings, ledger, clock), ledger, clock)
        sender.turn()
        pouring.join()
    assert sender.failed == 1
    assert poured < 32 << 20  # what the system's own buffers took


def test_a_server_without_a_sender_is_a_setting_to_mend() -> None:
    with pytest.raises(ConfigError, match=r"mail\.sender"):
        sender_of(Mail(host="127.0.0.1"))


# -- links


def test_a_link_names_its_alarm_and_expires() -> None:
    links = Tickets(KEY, "https://pump.example.org/")
    url = links.url("larkspur:high-water:1", "owner", START_MS)
    assert url is not None
    token = url.removeprefix("https://pump.example.org/acknowledge/")
    assert links.read(token, START_MS + 1) == Ticket("larkspur:high-water:1", "owner", START_MS + LIFE_MS)
    assert links.read(token, START_MS + LIFE_MS) is None
    assert Tickets(KEY, "https://pump.example.org").read(token, START_MS) is not None


@pytest.mark.parametrize("change", ["flip", "cut", "swap", "other"])
def test_a_link_that_was_changed_is_refused(change: str) -> None:
    links = Tickets(KEY, "https://pump.example.org")
    ticket = Ticket("larkspur:high-water:1", "owner", START_MS + LIFE_MS)
    token = links.token(ticket)
    body, _, signature = token.partition(".")
    elsewhere = Ticket("larkspur:mains-lost:1", "owner", START_MS + LIFE_MS)
    changed = {
        "flip": f"{'A' if body[5] != 'A' else 'B'}".join((body[:5], body[6:])) + f".{signature}",
        "cut": body,
        "swap": f"{links.token(elsewhere).partition('.')[0]}.{signature}",
        "other": Tickets(b"another installation's", "https://pump.example.org").token(ticket),
    }[change]
    assert changed != token
    assert links.read(changed, START_MS) is None


# -- the chart


def test_the_chart_is_the_survival_curve() -> None:
    curve = tuple(SurvivalPoint(START_MS + hour * HOUR, max(0.0, 1.0 - hour / 20.0)) for hour in range(200))
    shown = bars(document(forecast(START_MS, survival=curve)))
    assert len(shown) == 12
    assert shown[0].chance == 1.0
    assert shown[-1].chance < 0.02
    assert [bar.at_ms for bar in shown] == sorted(bar.at_ms for bar in shown)
    assert colour(1.0) != colour(0.6) != colour(0.1)
    said = chart_text(shown, Wording.of(LARKSPUR), START_MS)
    assert "10:02" in said
    assert "100%" in said
    assert bars({}) == []
    assert chart_text([], Wording.of(LARKSPUR), START_MS) == ""
