"""One receiver never holds up another: lanes, deadlines, breakers, and messages that nobody can send."""

from __future__ import annotations

import random
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from api.deliver.courier import TRIES, Courier, without_address
from api.deliver.lanes import MOST, MOST_A_HOST, OPENS_AT, USUAL, Breaker, DueMessage, UnderWay, startable
from api.deliver.mail import MailCarrier
from api.deliver.outcome import Later, Never, Outcome, Sent
from api.deliver.outward import OutwardAnswer, post
from api.deliver.push import PushCarrier, push_keys
from api.deliver.webhook import WebhookCarrier
from collector.config.settings import Mail
from forecaster.alarms.plan import AlarmMessage
from forecaster.domain.ports import Ledger
from forecaster.domain.records import Delivery, NoticeOutcome
from forecaster.domain.site import Contact
from tests.api.deliver.test_courier_mail import Mailbox, serving
from tests.api.deliver.test_courier_push import Browser, b64, raw_point
from tests.api.delivering import (
    Receiver,
    SteppedClock,
    carry,
    courier,
    eventually,
    listening,
    queue,
    subscription,
    told,
    with_webhook,
)
from tests.forecaster.evidence import LARKSPUR

CROWD = 30


@contextmanager
def hanging(trickle: bytes = b"") -> Iterator[tuple[int, threading.Event, threading.Event]]:
    """A server that takes connections and never finishes an answer; with `trickle`, a byte of it ten times a second.

    Yields its port, an event that is set where a connection has come, and one that hangs up on all when set, on those
    that come later too.
    """
    server = socket.create_server(("127.0.0.1", 0), backlog=128)
    over, come = threading.Event(), threading.Event()

    def serve(connection: socket.socket) -> None:
        come.set()
        with connection:
            for byte in trickle * 10_000:
                if over.wait(0.1):
                    return
                try:
                    connection.sendall(bytes([byte]))
                except OSError:
                    return
            over.wait()

    def accept() -> None:
        while True:
            try:
                connection, _ = server.accept()
            except OSError:
                return
            threading.Thread(target=serve, args=(connection,), daemon=True).start()

    thread = threading.Thread(target=accept, daemon=True)
    thread.start()
    try:
        yield server.getsockname()[1], come, over
    finally:
        over.set()
        server.shutdown(socket.SHUT_RDWR)
        server.close()
        thread.join()


def outcomes(ledger: Ledger) -> dict[str, NoticeOutcome]:
    return {notice.who: notice.outcome for notice in ledger.notices([told().alarm.id])}


@contextmanager
def running(sender: Courier) -> Iterator[Courier]:
    sender.start()
    try:
        yield sender
    finally:
        sender.stop()


# -- the thirtieth receiver is told while 29 hang


def test_of_thirty_webhooks_of_which_29_hang_the_thirtieth_is_told(ledger: Ledger, clock: SteppedClock) -> None:
    """As an order of events, not a time: the thirtieth is settled while none of the 29 attempts has ended."""
    with hanging(b"HTTP/1.1 200 OK\r\nx: y\r\n") as (port, _, hang_up), listening(Receiver()) as receiver:
        names = [f"contact {number}" for number in range(CROWD)]
        hooks = [f"http://127.0.0.1:{port}/{name[8:]}" for name in names[:-1]] + [receiver.url]
        contacts = tuple(Contact(name, webhook=url) for name, url in zip(names, hooks, strict=True))
        site = replace(LARKSPUR, contacts=contacts)
        queue(ledger, site, [told()], clock.now_ms(), "webhook")
        carrier = WebhookCarrier({site.id: site}, clock, deadline_s=20.0)
        with running(courier(carrier, ledger, clock)) as sender:
            eventually(lambda: outcomes(ledger)[names[-1]] is NoticeOutcome.TOLD, "the thirtieth")
            assert sender.failed == 0
            hang_up.set()
            eventually(lambda: sender.failed == CROWD - 1, "the others")
    assert [outcomes(ledger)[name] for name in names[:-1]] == [NoticeOutcome.FAILING] * (CROWD - 1)


def test_of_thirty_browsers_of_which_29_hang_the_thirtieth_is_told(
    ledger: Ledger, clock: SteppedClock, tmp_path: Path
) -> None:
    browser = Browser()
    keys = (b64(raw_point(browser.key)), b64(browser.auth))
    with hanging() as (port, _, hang_up), listening(Receiver()) as service:
        for number in range(CROWD):
            end = f"http://127.0.0.1:{port}/{number}" if number < CROWD - 1 else service.url
            ledger.save_subscription(replace(subscription(end, *keys), id=f"b{number}", label=f"phone {number}"))
        queue(ledger, LARKSPUR, [told()], clock.now_ms(), "push")
        vapid = push_keys(tmp_path / "push-key.pem")
        carrier = PushCarrier(vapid, "mailto:owner@example.org", ledger, None, ["127.0.0.1"], deadline_s=20.0)
        with running(courier(carrier, ledger, clock)) as sender:
            eventually(lambda: outcomes(ledger)[f"phone {CROWD - 1}"] is NoticeOutcome.TOLD, "the thirtieth")
            assert sender.failed == 0
            hang_up.set()


def test_of_thirty_mailboxes_of_which_29_hang_the_thirtieth_is_told(
    ledger: Ledger, clock: SteppedClock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.deliver.mail.TIMEOUT_S", 20.0)
    box = Mailbox()
    box.hangs_for = {f"c{number}@example.org" for number in range(CROWD - 1)}
    contacts = tuple(Contact(f"contact {number}", email=f"c{number}@example.org") for number in range(CROWD))
    with serving(box, tmp_path, "none") as settings:
        queue(ledger, replace(LARKSPUR, contacts=contacts), [told()], clock.now_ms(), "mail")
        carrier = MailCarrier(settings, ledger, clock, None, lambda _: None)
        with running(courier(carrier, ledger, clock)) as sender:
            eventually(lambda: outcomes(ledger)[f"contact {CROWD - 1}"] is NoticeOutcome.TOLD, "the thirtieth")
            assert sender.failed == 0
            box.release()
            eventually(lambda: len(box.mails) == CROWD, "the others")


# -- deadlines


@pytest.mark.parametrize("trickle", [b"", b"HTTP/1.1 200 OK\r\nx: y\r\n"])
def test_an_answer_that_hangs_or_trickles_is_cut_off(trickle: bytes) -> None:
    with hanging(trickle * 1) as (port, come, _):
        outcome = post(f"http://127.0.0.1:{port}/", b"{}", {}, deadline_s=1.0)
        assert come.is_set()
    assert isinstance(outcome, Later)
    assert outcome.unreachable


@pytest.mark.parametrize("trickle", [b"", b"220-still thinking\r\n"])
@pytest.mark.parametrize("security", ["none", "starttls", "tls"])
def test_a_mail_server_that_hangs_or_trickles_is_cut_off(
    ledger: Ledger, clock: SteppedClock, trickle: bytes, security: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.deliver.mail.TIMEOUT_S", 1.0)
    with hanging(trickle) as (port, come, _):
        settings = Mail(host="127.0.0.1", port=port, sender="pump@example.org").model_copy(
            update={"security": security}
        )
        queue(ledger, LARKSPUR, [told()], clock.now_ms(), "mail")
        sender = courier(MailCarrier(settings, ledger, clock, None, lambda _: None), ledger, clock)
        sender.turn()
        assert come.is_set()
    assert sender.failed == 1


def test_a_full_answer_is_taken_and_credentials_of_an_address_are_sent() -> None:
    with listening(Receiver(answers=[503], headers={"Retry-After": "7"})) as receiver:
        address = receiver.url.replace("http://", "http://hub:s%2Fecret@")
        answer = post(address, b"{}", {"Content-Type": "application/json"})
    assert isinstance(answer, OutwardAnswer)
    assert (answer.status, answer.retry_after_s(0)) == (503, 7.0)
    [heard] = receiver.heard
    assert heard.headers["authorization"] == "Basic aHViOnMvZWNyZXQ="  # RFC 7617 section 2: base64 of hub:s/ecret
    assert heard.headers["host"] == f"127.0.0.1:{receiver.port}"


@pytest.mark.parametrize("address", ["http://a..localhost/x", "http://" + "a" * 64 + ".example/x", "http://a:0/x"])
def test_an_address_that_cannot_be_used_is_given_up_with_its_reason(address: str) -> None:
    outcome = post(address, b"", {})
    assert isinstance(outcome, Never)
    assert "cannot be used" in outcome.error


# -- one message that nobody can send


class Poisoned:
    """Sends to every receiver but one, for which it fails in a way that nobody foresaw."""

    channel = "webhook"
    lanes = MOST

    def __init__(self, bad: str) -> None:
        self.bad = bad
        self.took: list[str] = []

    def host(self, receiver: str) -> str:
        return receiver

    def send(self, delivery: Delivery, message: AlarmMessage) -> Outcome:
        del message
        if delivery.receiver == self.bad:
            raise UnicodeError("label empty or too long", delivery.receiver)
        self.took.append(delivery.receiver)
        return Sent()

    def tick(self) -> None:
        return

    def close(self) -> None:
        return


def test_a_message_that_cannot_be_sent_is_set_aside_and_the_others_go(ledger: Ledger, clock: SteppedClock) -> None:
    contacts = (Contact("bad", webhook="http://bad.example/x"), Contact("good", webhook="http://good.example/x"))
    queue(ledger, replace(LARKSPUR, contacts=contacts), [told()], clock.now_ms(), "webhook")
    carrier = Poisoned("http://bad.example/x")
    sender = Courier(carrier, ledger, clock, random.Random(1))
    carry(sender, clock, hours=0.5)
    assert carrier.took == ["http://good.example/x"]
    bad, good = sorted(ledger.notices([told().alarm.id]), key=lambda notice: notice.who)
    assert (bad.outcome, good.outcome) == (NoticeOutcome.FAILED, NoticeOutcome.TOLD)
    assert bad.reason is not None
    assert bad.reason.startswith(f"it cannot be sent: UnicodeError, {TRIES} times")
    assert (sender.failed, sender.gave_up) == (TRIES - 1, 1)


def test_a_body_that_cannot_be_read_is_set_aside(ledger: Ledger, clock: SteppedClock) -> None:
    [owed] = queue(ledger, with_webhook("http://good.example/x"), [told()], clock.now_ms(), "webhook")
    bad = replace(owed, key="bad", body="{", rank=3)
    ledger.commit_transitions([], [bad], [])
    carrier = Poisoned("")
    sender = courier(carrier, ledger, clock)
    sender.turn()
    assert carrier.took == ["http://good.example/x"]
    assert sender.gave_up == 1


def test_an_error_is_kept_on_one_line_and_without_the_address() -> None:
    said = without_address("550 <owner@example.org>\r\n\x00 not here" + "!" * 500, "owner@example.org")
    assert said.startswith("550 <the receiver> not here!!!")
    assert len(said) == 300


# -- which leaves first


def waiting(name: str, *, grave: bool = False, failing: bool = False, attempts: int = 0, host: str = "") -> DueMessage:
    return DueMessage(name, name, host or name, grave, failing, attempts, 0)


def test_critical_and_first_attempts_leave_before_retries() -> None:
    due = [
        waiting("retry", failing=True, attempts=3),
        waiting("grave retry", grave=True, failing=True, attempts=2),
        waiting("first"),
        waiting("grave first", grave=True),
    ]
    chosen = [item.key for item in startable(due, [], Breaker(), 0.0)]
    assert chosen == ["grave first", "grave retry", "first", "retry"]


def test_a_receiver_has_one_lane_and_attempts_that_last_make_room() -> None:
    due = [waiting(f"w{number}") for number in range(40)]
    first = startable(due, [], Breaker(), 0.0)
    assert len(first) == USUAL
    lanes = [UnderWay(item.receiver, item.host, False, 0.0) for item in first]
    assert startable(due, lanes, Breaker(), 0.1) == []
    more = startable(due, lanes, Breaker(), 1.0)
    assert len(more) == USUAL
    assert not {item.receiver for item in more} & {item.receiver for item in first}


def test_failing_receivers_never_take_every_lane() -> None:
    lanes = [UnderWay(f"f{number}", f"f{number}", True, -9.0) for number in range(MOST // 2)]
    due = [waiting("another", failing=True), waiting("good")]
    assert [item.key for item in startable(due, lanes, Breaker(), 0.0)] == ["good"]


def test_a_host_that_does_not_answer_is_tried_by_one_and_holds_up_nobody_who_is_answered() -> None:
    breaker = Breaker()
    for _ in range(OPENS_AT):
        breaker.note("dead", answered=False)
    due = [waiting(f"f{number}", failing=True, host="dead") for number in range(60)] + [waiting("new", host="dead")]
    assert [item.key for item in startable(due, [], breaker, 0.0)] == ["new", "f0"]
    breaker.note("dead", answered=True)
    assert len(startable(due, [], breaker, 0.0)) == USUAL
    lanes = [UnderWay(f"x{number}", "dead", False, -9.0) for number in range(MOST_A_HOST)]
    assert startable(due, lanes, breaker, 0.0) == []
