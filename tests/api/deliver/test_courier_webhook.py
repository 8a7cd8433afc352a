"""Webhooks: signed, keyed, patient with receivers that are down, slow, busy or gone; CAP 1.2 checked as the standard
writes it."""

from __future__ import annotations

import hashlib
import hmac
import json
import random
import ssl
from dataclasses import replace
from datetime import UTC, datetime
from email.utils import format_datetime
from pathlib import Path
from xml.etree import ElementTree

import pytest

from api.deliver.backoff import LONGEST_CRITICAL_S, LONGEST_S, next_attempt_s
from api.deliver.courier import Courier
from api.deliver.failing import all_faults, failing_for, faults_of
from api.deliver.outbox import known_to
from api.deliver.outcome import Later, Never, Sent
from api.deliver.outward import OutwardAnswer
from api.deliver.webhook import WebhookCarrier, outcome_of
from collector.config.settings import load_installation
from collector.config.site_file import site_toml
from forecaster.domain.alarms import AlarmKind, AlarmState, Priority, TransitionKind
from forecaster.domain.ports import Ledger
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Channel
from tests.api.delivering import (
    Receiver,
    SteppedClock,
    carry,
    courier,
    eventually,
    listening,
    queue,
    told,
    with_webhook,
)
from tests.brokers import make_certificates
from tests.forecaster.evidence import HOUR, LARKSPUR, MINUTE, START_MS

CAP = "{urn:oasis:names:tc:emergency:cap:1.2}"


def test_the_body_is_signed_and_carries_its_key(ledger: Ledger, clock: SteppedClock) -> None:
    with listening(Receiver()) as receiver:
        site = with_webhook(receiver.url)
        owed = queue(ledger, site, [told()], clock.now_ms(), "webhook")
        carrier = WebhookCarrier({site.id: site}, clock)
        courier(carrier, ledger, clock).turn()
        carrier.close()
    [heard] = receiver.heard
    assert heard.headers["idempotency-key"] == owed[0].key
    stamp = heard.headers["outlast-timestamp"]
    digest = hmac.new(b"larkspur-secret", stamp.encode() + b"." + heard.body, hashlib.sha256).hexdigest()
    assert heard.headers["outlast-signature"] == f"sha256={digest}"
    body = json.loads(heard.body)
    assert body["kind"] == "high-water"
    assert body["key"] == owed[0].key
    assert body["transition"] == "raised"
    assert body["raised"] == "2026-03-03T16:02:00Z"
    assert ledger.due("webhook", clock.now_ms() + HOUR) == []
    assert ledger.oldest_undelivered_ms() is None


def test_a_receiver_down_for_an_hour_hears_once_when_it_is_back(ledger: Ledger, clock: SteppedClock) -> None:
    with listening(Receiver()) as receiver:
        url, port = receiver.url, receiver.port
    site = with_webhook(url)
    carrier = WebhookCarrier({site.id: site}, clock)
    sender = courier(carrier, ledger, clock)
    queue(ledger, site, [told()], clock.now_ms(), "webhook")
    carry(sender, clock, hours=1.0)
    assert sender.failed > 5
    assert ledger.oldest_undelivered_ms() == START_MS
    with listening(Receiver(), port=port) as back:
        carry(sender, clock, hours=0.1)
    carrier.close()
    assert len(back.heard) == 1
    assert faults_of(ledger, "webhook") == {}


def test_a_backlog_is_told_as_its_newest_chapter(ledger: Ledger, clock: SteppedClock) -> None:
    with listening(Receiver()) as receiver:
        site = with_webhook(receiver.url)
        over = told(what=TransitionKind.CLEARED, revision=1, at_ms=START_MS + MINUTE, state=AlarmState.NORMAL)
        queue(ledger, site, [told(), over], clock.now_ms(), "webhook")
        carrier = WebhookCarrier({site.id: site}, clock)
        courier(carrier, ledger, clock).turn()
        carrier.close()
    assert [json.loads(item.body)["transition"] for item in receiver.heard] == ["cleared"]
    assert ledger.due("webhook", clock.now_ms() + HOUR) == []


@pytest.mark.parametrize(("codes", "attempts"), [([500, 503], 3), ([429], 2), ([404, 401], 3), ([302], 2)])
def test_what_may_mend_is_tried_again(ledger: Ledger, clock: SteppedClock, codes: list[int], attempts: int) -> None:
    with listening(Receiver(answers=list(codes))) as receiver:
        site = with_webhook(receiver.url)
        queue(ledger, site, [told()], clock.now_ms(), "webhook")
        carrier = WebhookCarrier({site.id: site}, clock)
        carry(courier(carrier, ledger, clock), clock, hours=0.2)
        carrier.close()
    assert len(receiver.heard) == attempts
    assert len(set(receiver.keys())) == 1


def test_retry_after_is_kept(ledger: Ledger, clock: SteppedClock) -> None:
    with listening(Receiver(answers=[429], headers={"Retry-After": "600"})) as receiver:
        site = with_webhook(receiver.url)
        queue(ledger, site, [told()], clock.now_ms(), "webhook")
        carrier = WebhookCarrier({site.id: site}, clock)
        sender = courier(carrier, ledger, clock)
        carry(sender, clock, hours=595 / 3600)
        assert len(receiver.heard) == 1
        carry(sender, clock, hours=0.05)
        carrier.close()
    assert len(receiver.heard) == 2


def test_retry_after_may_be_a_date() -> None:
    """RFC 9110 section 10.2.3 allows an HTTP date or seconds."""
    later = format_datetime(datetime.fromtimestamp(START_MS / 1000 + 90, UTC), usegmt=True)
    assert OutwardAnswer(503, {"retry-after": later}).retry_after_s(START_MS) == pytest.approx(90.0)
    assert OutwardAnswer(503, {"retry-after": "soon"}).retry_after_s(START_MS) is None
    assert OutwardAnswer(503, {}).retry_after_s(START_MS) is None


@pytest.mark.parametrize("code", [410, 400, 413, 422])
def test_what_cannot_mend_is_given_up_and_said(ledger: Ledger, clock: SteppedClock, code: int) -> None:
    with listening(Receiver(answers=[code] * 9)) as receiver:
        site = with_webhook(receiver.url)
        queue(ledger, site, [told()], clock.now_ms(), "webhook")
        carrier = WebhookCarrier({site.id: site}, clock)
        sender = courier(carrier, ledger, clock)
        carry(sender, clock, hours=0.2)
        carrier.close()
    assert len(receiver.heard) == 1
    assert sender.gave_up == 1
    [failing] = failing_for(all_faults(ledger), site)
    assert failing.channel == "webhook"
    assert str(code) in failing.error


def test_answers_have_their_meaning() -> None:
    assert outcome_of(OutwardAnswer(202, {}), START_MS) == Sent()
    assert isinstance(outcome_of(OutwardAnswer(410, {}), START_MS), Never)
    assert isinstance(outcome_of(OutwardAnswer(500, {}), START_MS), Later)


def test_a_slow_receiver_is_cut_off_and_gets_the_same_key_again(ledger: Ledger, clock: SteppedClock) -> None:
    with listening(Receiver(slow_s=0.6)) as receiver:
        site = with_webhook(receiver.url)
        queue(ledger, site, [told()], clock.now_ms(), "webhook")
        carrier = WebhookCarrier({site.id: site}, clock, deadline_s=0.2)
        sender = courier(carrier, ledger, clock)
        sender.turn()
        assert sender.failed == 1
        receiver.slow_s = 0.0
        carry(sender, clock, hours=0.05)
        carrier.close()
    assert len(receiver.heard) == 2
    assert len(set(receiver.keys())) == 1


def test_a_certificate_nobody_trusts_is_a_failure_and_not_a_delivery(
    ledger: Ledger, clock: SteppedClock, tmp_path: Path
) -> None:
    make_certificates(tmp_path / "certs")
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    tls.load_cert_chain(tmp_path / "certs" / "broker.crt", tmp_path / "certs" / "broker.key")
    with listening(Receiver(), tls) as receiver:
        site = with_webhook(receiver.url)
        queue(ledger, site, [told()], clock.now_ms(), "webhook")
        carrier = WebhookCarrier({site.id: site}, clock)
        sender = courier(carrier, ledger, clock)
        sender.turn()
        carrier.close()
    assert receiver.heard == []
    assert sender.failed == 1
    assert "CERTIFICATE_VERIFY_FAILED" in failing_for(all_faults(ledger), site)[0].error


def test_an_address_that_left_the_site_file_gets_nothing(ledger: Ledger, clock: SteppedClock) -> None:
    site = with_webhook("http://127.0.0.1:1/hook")
    queue(ledger, site, [told()], clock.now_ms(), "webhook")
    carrier = WebhookCarrier({LARKSPUR.id: LARKSPUR}, clock)
    sender = courier(carrier, ledger, clock)
    sender.turn()
    carrier.close()
    assert sender.gave_up == 1


def test_a_contact_that_left_the_site_file_is_no_failing_channel(
    ledger: Ledger, clock: SteppedClock, tmp_path: Path
) -> None:
    site = with_webhook("http://127.0.0.1:1/hook")
    queue(ledger, site, [told()], clock.now_ms(), "webhook")
    before = courier(WebhookCarrier({site.id: site}, clock), ledger, clock)
    before.turn()
    before.carrier.close()
    assert failing_for(all_faults(ledger), site)
    (tmp_path / "house" / "sites").mkdir(parents=True)
    (tmp_path / "house" / "outlast.toml").write_text('[broker]\nurl = "mqtt://127.0.0.1:1"\n')
    (tmp_path / "house" / "sites" / "larkspur.toml").write_text(
        site_toml(replace(LARKSPUR, channels=(Channel(Quantity.PUMP_POWER, "cellar/plug"),)))
    )
    known = known_to(load_installation(tmp_path / "house"), ledger, "webhook")
    after = Courier(WebhookCarrier({site.id: LARKSPUR}, clock), ledger, clock, random.Random(1), known)
    after.start()
    eventually(lambda: not failing_for(all_faults(ledger), site), "the fault forgotten")
    clock.advance(3600.0)
    eventually(lambda: after.gave_up == 1, "the message given up")
    after.stop()
    assert failing_for(all_faults(ledger), site) == ()


def test_a_message_expires_and_is_said_to_have_failed(ledger: Ledger, clock: SteppedClock) -> None:
    site = with_webhook("http://127.0.0.1:9/hook")
    queue(ledger, site, [told()], clock.now_ms(), "webhook")
    carrier = WebhookCarrier({site.id: site}, clock)
    sender = courier(carrier, ledger, clock)
    clock.advance(13 * 3600)
    sender.turn()
    carrier.close()
    assert sender.gave_up == 1
    assert ledger.oldest_undelivered_ms() is None
    assert failing_for(all_faults(ledger), site)


def test_waits_double_up_to_a_cap_with_jitter() -> None:
    rng = random.Random(7)
    waits = [[next_attempt_s(attempt, rng, critical=False) for _ in range(200)] for attempt in range(1, 12)]
    for attempt, drawn in enumerate(waits, 1):
        step = min(5.0 * 2 ** (attempt - 1), LONGEST_S)
        assert all(step / 2 <= one <= step for one in drawn)
        assert max(drawn) - min(drawn) > step / 4
    assert max(next_attempt_s(30, rng, critical=True) for _ in range(50)) <= LONGEST_CRITICAL_S
    assert next_attempt_s(1, rng, critical=False, asked_s=90.0) == 90.0
    assert next_attempt_s(1, rng, critical=False, asked_s=1e9) == 3600.0
    assert [next_attempt_s(3, random.Random(5), critical=False) for _ in range(2)] == [
        next_attempt_s(3, random.Random(5), critical=False)
    ] * 2


def test_cap_comes_as_cap(ledger: Ledger, clock: SteppedClock) -> None:
    with listening(Receiver()) as receiver:
        site = with_webhook(receiver.url, form="cap")
        queue(ledger, site, [told(AlarmKind.HIGH_WATER, priority=Priority.CRITICAL)], clock.now_ms(), "webhook")
        carrier = WebhookCarrier({site.id: site}, clock)
        courier(carrier, ledger, clock).turn()
        carrier.close()
    [heard] = receiver.heard
    assert heard.headers["content-type"] == "application/cap+xml"
    assert ElementTree.fromstring(heard.body).findtext(f"{CAP}addresses") == "contact"
    assert site.contacts[0].name.encode() not in heard.body
    assert CAP.strip("{}").encode() in heard.body
