"""All couriers of an installation, as one worker beside the API: start(), stop(), wake(), troubles(), counts()."""

from __future__ import annotations

import random
import secrets
from collections.abc import Callable

from api.deliver.ballast import Ballast
from api.deliver.courier import Carrier, Courier
from api.deliver.heartbeat import HeartbeatSender
from api.deliver.homie import HomieCarrier
from api.deliver.links import tickets
from api.deliver.mail import MailCarrier
from api.deliver.mqtt import MqttCarrier
from api.deliver.outbox import known_to, served, unserved_contacts
from api.deliver.push import PushCarrier, keys_of
from api.deliver.webhook import WebhookCarrier
from api.http.security import is_loopback
from api.process.notes import made_once
from collector.config.settings import Installation
from forecaster.alarms.plan import MAIL, PUSH
from forecaster.domain.counts import Count
from forecaster.domain.leases import always
from forecaster.domain.ports import Clock, Ledger, ReadingStore
from forecaster.texts.catalogue import words

CLIENT_NOTE = "courier-client-id"
SENDER_NOTE = "cap-sender"
HOMIE_SITES = 50
"""With more sites than this, Homie devices appear only where the owner asks for them."""


def _nothing() -> None:
    """The default for `wake_forecaster`: there is no forecaster in this process."""


EVERY_ADDRESS = ("0.0.0.0", "::", "[::]")
"""Where a server listens on all addresses of its machine."""


def public_url(installation: Installation) -> str | None:
    """The address under which people elsewhere reach the pages; None where no such address is known.

    Without `public_url` it is the address that the server listens on, unless that is loopback or means all addresses.
    """
    http = installation.http
    if http.public_url is not None:
        return http.public_url.rstrip("/")
    if is_loopback(http.host) or http.host in EVERY_ADDRESS:
        return None
    return own_url(installation)


def own_url(installation: Installation) -> str:
    """The address under which this machine itself reaches the pages."""
    http = installation.http
    host = "127.0.0.1" if http.host in EVERY_ADDRESS else http.host
    bracketed = f"[{host}]" if ":" in host and not host.startswith("[") else host
    return f"http://{bracketed}:{http.port}"


def page_of(base: str | None, site: str) -> str | None:
    """The address of a site's page; None where people elsewhere cannot reach the pages."""
    return None if base is None else f"{base}/sites/{site}"


def push_contact(installation: Installation) -> str:
    """The contact that push services are given (RFC 8292 section 2.1)."""
    if installation.push.contact is not None:
        return installation.push.contact
    if installation.mail.sender is not None:
        return f"mailto:{installation.mail.sender}"
    url = installation.http.public_url
    return url if url is not None and url.startswith("https://") else "mailto:postmaster@localhost"


def client_id(installation: Installation, ledger: Ledger) -> str:
    """A stable MQTT client id for the couriers, not the collector's: two clients of one id evict each other."""
    if installation.broker.client_id is not None:
        return f"{installation.broker.client_id}-out"
    return made_once(ledger, CLIENT_NOTE, lambda: f"outlast-out-{secrets.token_hex(4)}")


def cap_sender(ledger: Ledger) -> str:
    """The sender of CAP messages: a name of this installation's own, the same over its years."""
    return made_once(ledger, SENDER_NOTE, lambda: f"outlast-{secrets.token_hex(8)}")


def homie_wanted(installation: Installation) -> bool:
    """Whether sites appear as Homie devices: as the owner says, otherwise unless there are many sites.

    Each device needs a connection of its own for its will, and a hub for one house has no use for a fleet.
    """
    asked = installation.broker.homie
    return len(installation.sites) <= HOMIE_SITES if asked is None else asked


def carriers_for(
    installation: Installation, ledger: Ledger, clock: Clock, wake: Callable[[], None], store: ReadingStore | None
) -> list[Carrier]:
    """One carrier for each channel that the installation serves."""
    sites, broker = installation.sites, installation.broker
    own_id = client_id(installation, ledger)
    base = public_url(installation)
    devices = sites if homie_wanted(installation) else {}
    found: list[Carrier] = [
        MqttCarrier(broker, own_id, sites, ledger, clock, wake),
        HomieCarrier(broker, f"{own_id}-homie", devices, ledger, clock, wake, store),
        WebhookCarrier(sites, clock, folder=installation.folder, sender=cap_sender(ledger)),
    ]
    if MAIL in served(installation):
        links = tickets(installation, ledger, base)
        found.append(MailCarrier(installation.mail, ledger, clock, links, lambda site: page_of(base, site)))
    if PUSH in served(installation):
        keys = keys_of(installation, ledger)
        found.append(
            PushCarrier(
                keys, push_contact(installation), ledger, installation.http.public_url, installation.push.allow_hosts
            )
        )
    return found


class Couriers:
    """One courier a channel, and the heartbeat where one is configured.

    store : ReadingStore | None — what is measured, for hubs that ask for it; None: they are told none of it
    wake_forecaster : called after an acknowledgement was received over MQTT
    seed : int | None — seeds the jitter; None: not repeatable
    leased : tells whether deliveries are still this process's, where they change hands
    """

    def __init__(
        self,
        installation: Installation,
        ledger: Ledger,
        clock: Clock,
        *,
        store: ReadingStore | None = None,
        wake_forecaster: Callable[[], None] = _nothing,
        seed: int | None = None,
        leased: Callable[[], bool] = always,
    ) -> None:
        root = random.Random(secrets.randbits(64) if seed is None else seed)
        self.couriers = [
            Courier(
                carrier,
                ledger,
                clock,
                random.Random(root.getrandbits(64)),
                known_to(installation, ledger, carrier.channel),
                leased,
            )
            for carrier in carriers_for(installation, ledger, clock, wake_forecaster, store)
        ]
        self._unserved = unserved_contacts(installation)
        beat = installation.heartbeat
        self._heartbeat = (
            None
            if beat.url is None
            else HeartbeatSender(beat.url, beat.every_s, ledger, clock, sites=installation.sites.keys())
        )
        self._ending = False
        self.ballast = Ballast(installation.state_folder)

    def start(self) -> None:
        """Reserve disk space for alarms, and start every courier."""
        self.ballast.keep()
        for courier in self.couriers:
            courier.start()
        if self._heartbeat is not None:
            self._heartbeat.start()

    def wake(self) -> None:
        """The outbox has news; from any thread."""
        for courier in self.couriers:
            courier.wake()

    def hand_over(self, staying: frozenset[str]) -> None:
        """Before an end after which couriers of changed site files begin at once: sites that stay as they were."""
        for courier in self.couriers:
            if isinstance(courier.carrier, HomieCarrier):
                courier.carrier.hand_over(staying)

    def stop(self) -> None:
        """Finish the attempts in progress and end."""
        self._ending = True
        for courier in self.couriers:
            courier.end()
        for courier in self.couriers:
            courier.stop()
        if self._heartbeat is not None:
            self._heartbeat.stop()

    def alive(self) -> bool:
        """Whether every courier's thread runs."""
        return all(courier.alive() for courier in self.couriers)

    def turns(self) -> None:
        """Not reported: a slow receiver is no fault of this process."""

    def troubles(self) -> list[tuple[str, str]]:
        """What is wrong at the moment, as (who, what)."""
        found = [("contacts", line) for line in self._unserved]
        for courier in self.couriers:
            name = f"courier {courier.channel}"
            if courier.trouble is not None:
                found.append((name, courier.trouble))
            elif not courier.alive() and not self._ending:
                found.append((name, words()("outcome.its_thread_does_not_run")))
            found += [(name, fault.error) for fault in list(courier.faults.standing().values())[:1]]
        if self._heartbeat is not None and self._heartbeat.trouble is not None:
            found.append(("heartbeat", self._heartbeat.trouble))
        return found

    def counts(self) -> list[Count]:
        """For the metrics."""
        found: list[Count] = []
        for courier in self.couriers:
            for what, said, value in (
                ("sent", "sent", float(courier.sent)),
                ("failed", "attempts failed", float(courier.failed)),
                ("gave_up", "given up", float(courier.gave_up)),
            ):
                labels = (("channel", courier.channel), ("outcome", what))
                found.append(
                    Count("outlast_deliveries", "counter", "Deliveries by channel and outcome.", value, labels)
                )
                # the name of earlier releases, for one release more
                old = f"outlast_deliveries_{courier.channel}_{what}"
                found.append(Count(old, "counter", f"Deliveries {said}, {courier.channel}.", value))
        return found
