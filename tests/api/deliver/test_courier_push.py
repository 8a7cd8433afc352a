"""Browser push: the worked example of RFC 8291, and whole messages to a local push service that decrypts them."""

from __future__ import annotations

import base64
import json
import threading
import time
from pathlib import Path

import http_ece
import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from py_vapid import Vapid02

from api.deliver.push import LONGEST_ACTION, TTL_S, PushCarrier, payload, public_key, push_keys, topic
from forecaster.alarms.plan import AlarmMessage
from forecaster.domain.errors import ConfigError
from forecaster.domain.ports import Ledger
from forecaster.domain.records import NoticeOutcome
from tests.api.delivering import Receiver, SteppedClock, carry, courier, listening, queue, subscription, told
from tests.engines import free_port
from tests.forecaster.evidence import LARKSPUR


def b64(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")


def unb64(text: str) -> bytes:
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


def private(scalar: str, point: str) -> ec.EllipticCurvePrivateKey:
    key = ec.derive_private_key(int.from_bytes(unb64(scalar), "big"), ec.SECP256R1())
    assert raw_point(key) == unb64(point)
    return key


def raw_point(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.public_key().public_bytes(serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint)


RFC_8291 = {
    "plaintext": "V2hlbiBJIGdyb3cgdXAsIEkgd2FudCB0byBiZSBhIHdhdGVybWVsb24",
    "as_public": "BP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8wEqKK6PBru3jl7A8",
    "as_private": "yfWPiYE-n46HLnH0KqZOF1fJJU3MYrct3AELtAQ-oRw",
    "ua_public": "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4",
    "ua_private": "q1dXpw3UpT5VOmu_cf_v6ih07Aems3njxI-JWgLcM94",
    "salt": "DGv6ra1nlYgDCS1FRnbzlw",
    "auth": "BTBZMqHH6r4Tts7J_aSIgg",
    "message": (
        "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8wEqKK6PBru3jl7"
        "A_yl95bQpu6cVPTpK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWGNWQexSgSxsj_Qulcy4a-fN"
    ),
}
"""RFC 8291 section 5 and appendix A."""


def test_encryption_gives_the_message_of_rfc_8291_section_5() -> None:
    sender = private(RFC_8291["as_private"], RFC_8291["as_public"])
    sealed = http_ece.encrypt(
        unb64(RFC_8291["plaintext"]),
        salt=unb64(RFC_8291["salt"]),
        private_key=sender,
        dh=unb64(RFC_8291["ua_public"]),
        auth_secret=unb64(RFC_8291["auth"]),
        rs=4096,
        version="aes128gcm",
    )
    assert b64(sealed) == RFC_8291["message"]
    browser = private(RFC_8291["ua_private"], RFC_8291["ua_public"])
    opened = http_ece.decrypt(sealed, private_key=browser, auth_secret=unb64(RFC_8291["auth"]), version="aes128gcm")
    assert opened == b"When I grow up, I want to be a watermelon"


class Browser:
    """A browser's keys; opens what a push service was given for it."""

    def __init__(self) -> None:
        self.key = ec.generate_private_key(ec.SECP256R1())
        self.auth = b"0123456789abcdef"

    def subscribe(self, ledger: Ledger, endpoint: str) -> None:
        ledger.save_subscription(subscription(endpoint, b64(raw_point(self.key)), b64(self.auth)))

    def open(self, body: bytes) -> dict[str, str]:
        opened = http_ece.decrypt(body, private_key=self.key, auth_secret=self.auth, version="aes128gcm")
        found: dict[str, str] = json.loads(opened)
        return found


def carrier_for(ledger: Ledger, folder: Path, deadline_s: float = 8.0) -> PushCarrier:
    keys = push_keys(folder / "push-key.pem")
    page = "https://pump.example.org"
    return PushCarrier(keys, "mailto:owner@example.org", ledger, page, ["127.0.0.1"], deadline_s)


def test_a_browser_can_open_what_is_sent(ledger: Ledger, clock: SteppedClock, tmp_path: Path) -> None:
    browser = Browser()
    with listening(Receiver(answers=[201])) as service:
        browser.subscribe(ledger, service.url)
        owed = queue(ledger, LARKSPUR, [told()], clock.now_ms(), "push")
        carrier = carrier_for(ledger, tmp_path)
        courier(carrier, ledger, clock).turn()
        carrier.close()
    [heard] = service.heard
    shown = browser.open(heard.body)
    assert shown["title"] == "Larkspur Lane cellar"
    assert shown["body"].startswith("HIGH WATER")
    assert shown["url"] == "https://pump.example.org/sites/larkspur"
    assert shown["key"] == owed[0].key
    assert int(heard.headers["ttl"]) == TTL_S > 0
    assert heard.headers["urgency"] == "high"
    assert heard.headers["content-encoding"] == "aes128gcm"
    assert len(heard.headers["topic"]) <= 32
    assert len(heard.body) <= 4096


def test_the_request_is_signed_as_rfc_8292_wants(ledger: Ledger, clock: SteppedClock, tmp_path: Path) -> None:
    """RFC 8292 section 2: ES256; aud is the origin of the push service; exp within 24 hours; sub a contact."""
    browser = Browser()
    with listening(Receiver(answers=[201])) as service:
        browser.subscribe(ledger, service.url)
        queue(ledger, LARKSPUR, [told()], clock.now_ms(), "push")
        carrier = carrier_for(ledger, tmp_path)
        courier(carrier, ledger, clock).turn()
        carrier.close()
        origin = f"http://127.0.0.1:{service.port}"
    header = service.heard[0].headers["authorization"]
    assert header.startswith("vapid t=")
    token, _, key = header.removeprefix("vapid t=").partition(",k=")
    assert key == public_key(push_keys(tmp_path / "push-key.pem"))
    head, claims = (json.loads(unb64(part)) for part in token.split(".")[:2])
    assert head["alg"] == "ES256"
    assert claims["aud"] == origin
    assert claims["sub"] == "mailto:owner@example.org"
    assert 0 < claims["exp"] - time.time() <= 86_400
    assert Vapid02.verify(header) is True


@pytest.mark.parametrize(("code", "dropped"), [(404, True), (410, True), (400, False), (401, False), (503, False)])
def test_a_subscription_is_dropped_on_404_and_410_alone(
    ledger: Ledger, clock: SteppedClock, tmp_path: Path, code: int, dropped: bool
) -> None:
    with listening(Receiver(answers=[code])) as service:
        Browser().subscribe(ledger, service.url)
        queue(ledger, LARKSPUR, [told()], clock.now_ms(), "push")
        carrier = carrier_for(ledger, tmp_path)
        sender = courier(carrier, ledger, clock)
        carry(sender, clock, hours=0.05)
        carrier.close()
    assert (ledger.subscriptions() == []) is dropped
    assert len(service.heard) == (1 if dropped else 2)
    assert sender.gave_up == (1 if dropped else 0)


def test_a_push_service_down_for_an_hour_or_slow_gets_the_same_message_later(
    ledger: Ledger, clock: SteppedClock, tmp_path: Path
) -> None:
    port, browser = free_port(), Browser()
    browser.subscribe(ledger, f"http://127.0.0.1:{port}/hook")
    queue(ledger, LARKSPUR, [told()], clock.now_ms(), "push")
    carrier = carrier_for(ledger, tmp_path, deadline_s=0.5)
    sender = courier(carrier, ledger, clock)
    carry(sender, clock, hours=1.0)
    assert sender.failed > 5
    with listening(Receiver(slow_s=2.0), port=port) as service:
        clock.advance(900.0)
        sender.turn()
        failed = sender.failed
        service.slow_s = 0.0
        carry(sender, clock, hours=0.5)
    carrier.close()
    assert sender.sent == 1
    assert failed > 5
    assert len({browser.open(item.body)["key"] for item in service.heard}) == 1
    assert sender.faults.standing() == {}


def test_too_much_is_given_up_and_busy_is_waited_for(ledger: Ledger, clock: SteppedClock, tmp_path: Path) -> None:
    with listening(Receiver(answers=[429, 413], headers={"Retry-After": "60"})) as service:
        Browser().subscribe(ledger, service.url)
        queue(ledger, LARKSPUR, [told()], clock.now_ms(), "push")
        carrier = carrier_for(ledger, tmp_path)
        sender = courier(carrier, ledger, clock)
        carry(sender, clock, hours=55 / 3600)
        assert len(service.heard) == 1
        carry(sender, clock, hours=0.05)
        carrier.close()
    assert len(service.heard) == 2
    assert sender.gave_up == 1
    assert len(ledger.subscriptions()) == 1


def test_a_browser_that_unsubscribed_is_not_a_failure(ledger: Ledger, clock: SteppedClock, tmp_path: Path) -> None:
    Browser().subscribe(ledger, "http://127.0.0.1:9/gone")
    queue(ledger, LARKSPUR, [told()], clock.now_ms(), "push")
    ledger.drop_subscription("browser")
    carrier = carrier_for(ledger, tmp_path)
    sender = courier(carrier, ledger, clock)
    sender.turn()
    carrier.close()
    assert (sender.sent, sender.gave_up) == (0, 0)
    [notice] = ledger.notices([told().alarm.id])
    assert notice.outcome is NoticeOutcome.NEEDLESS
    assert sender.faults.standing() == {}


def test_keys_are_made_once_and_private(tmp_path: Path) -> None:
    file = tmp_path / "push-key.pem"
    found: list[str] = []
    threads = [threading.Thread(target=lambda: found.append(public_key(push_keys(file)))) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(found)) == 1
    assert file.stat().st_mode & 0o777 == 0o600
    assert len(unb64(found[0])) == 65
    assert sorted(path.name for path in tmp_path.iterdir()) == ["push-key.pem"]


def test_a_key_file_that_holds_no_key_is_said_so(tmp_path: Path) -> None:
    file = tmp_path / "push-key.pem"
    file.write_text("nothing")
    with pytest.raises(ConfigError, match="holds no key"):
        push_keys(file)


def test_the_longest_message_fits() -> None:
    """RFC 8291 section 4: a push service need not take more than 4,096 octets, of which 103 are overhead."""
    longest = told()
    message = AlarmMessage.decode(
        AlarmMessage(
            "k", "larkspur", "s" * 100, "UTC", LARKSPUR.units, longest.kind, longest.at_ms, longest.alarm
        ).encode()
    )
    assert len(payload(message, "k" * 120, None)) + LONGEST_ACTION < 4096 - 103
    assert topic(message.thread) == topic(message.thread)
