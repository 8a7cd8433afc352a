"""A process that carries one channel and kills itself, as a power cut would, at the step it is told.

python -m tests.faults.carry_and_die CHANNEL FOLDER PORT STEP
STEP: before-commit | after-commit | before-send | after-send | after-settle | never
"""

from __future__ import annotations

import os
import random
import signal
import sys
import time
from pathlib import Path

from api.deliver.courier import Carrier, Courier
from api.deliver.homie import HomieCarrier
from api.deliver.links import Tickets
from api.deliver.mail import MailCarrier
from api.deliver.mqtt import MqttCarrier
from api.deliver.outcome import Outcome
from api.deliver.push import PushCarrier, push_keys
from api.deliver.webhook import WebhookCarrier
from collector.config.settings import Broker, Mail
from forecaster.alarms.plan import AlarmMessage
from forecaster.domain.ports import Ledger
from forecaster.domain.records import Delivery
from forecaster.domain.site import Site
from tests.api.delivering import SteppedClock, ledger_in, queue, told, with_webhook
from tests.forecaster.evidence import LARKSPUR


def die() -> None:
    """No chance to tidy up."""
    os.kill(os.getpid(), signal.SIGKILL)


class Dying:
    """A carrier that dies around its first attempt."""

    def __init__(self, inner: Carrier, step: str) -> None:
        self.channel, self.lanes = inner.channel, inner.lanes
        self._inner, self._step = inner, step

    def host(self, receiver: str) -> str:
        return self._inner.host(receiver)

    def send(self, delivery: Delivery, message: AlarmMessage) -> Outcome:
        if self._step == "before-send":
            die()
        outcome = self._inner.send(delivery, message)
        if self._step == "after-send":
            die()
        return outcome

    def tick(self) -> None:
        self._inner.tick()

    def close(self) -> None:
        self._inner.close()


def carrier_of(channel: str, site: Site, ledger: Ledger, clock: SteppedClock, folder: Path, port: int) -> Carrier:
    broker = Broker(url=f"mqtt://127.0.0.1:{port}", keepalive_s=5)
    match channel:
        case "mqtt":
            return MqttCarrier(broker, "dying", {site.id: site}, ledger, clock, lambda: None)
        case "homie":
            return HomieCarrier(broker, "dying", {site.id: site}, ledger, clock, lambda: None)
        case "mail":
            mail = Mail(host="127.0.0.1", port=port, security="none", sender="pump@example.org")
            return MailCarrier(mail, ledger, clock, Tickets(b"own key", "https://pump.example.org"), lambda _site: None)
        case "push":
            return PushCarrier(
                push_keys(folder / "push-key.pem"), "mailto:owner@example.org", ledger, None, ["127.0.0.1"]
            )
        case _:
            return WebhookCarrier({site.id: site}, clock)


def main(channel: str, folder: Path, port: int, step: str) -> None:
    """Owe once, carry, and die where told."""
    ledger, clock = ledger_in(folder), SteppedClock()
    site = with_webhook(f"http://127.0.0.1:{port}/hook") if channel == "webhook" else LARKSPUR
    if step == "before-commit":
        die()
    if ledger.noted("owed") is None:
        queue(ledger, site, [told()], clock.now_ms(), channel)
        ledger.note("owed", "yes")
    if step == "after-commit":
        die()
    inner = carrier_of(channel, site, ledger, clock, folder, port)
    courier = Courier(Dying(inner, step), ledger, clock, random.Random(1))
    courier.start()
    deadline = time.monotonic() + 60.0
    while ledger.due(channel, clock.now_ms() + 86_400_000) and time.monotonic() < deadline:
        clock.advance(1.0)
        courier.wake()
        time.sleep(0.05)
    if step == "after-settle":
        die()
    courier.stop()
    ledger.close()


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]), sys.argv[4])
