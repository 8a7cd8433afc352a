"""Two brokers at the office with the shipped files, a house whose line names both, collectors that listen to both."""

from __future__ import annotations

import json
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from collector.clock import SystemClock
from collector.config.settings import load_installation
from collector.rendezvous import SHARES
from collector.share import share_of
from collector.store.ledger import SqlLedger
from collector.store.open import open_ledger, open_readings
from forecaster.domain.ports import ReadingStore
from tests.bench.fleet import site_id, write_fleet
from tests.brokers import ShippedBroker
from tests.engines import running_influx, running_postgres, wait_until
from tests.faults.membered import PATIENCE_S, Machine

SITES = 6
HOUSE_PASSWORDS = {"outlast": "hear", "cellar": "plug", "bridge": "line"}
OFFICE_PASSWORDS = {"outlast": "hear", "larkspur": "far"}
SETTLED_S = 30.0
"""How long the rest is waited for at the end [s]; what has not come by then is told as lost."""


@dataclass
class Twofold:
    """A house, two brokers at the office, two machines that collect, and how many messages the house's broker took."""

    house: ShippedBroker
    offices: tuple[ShippedBroker, ShippedBroker]
    machines: tuple[Machine, Machine]
    ledger: SqlLedger
    store: ReadingStore
    taken: int = 0
    ending: threading.Event = field(default_factory=threading.Event)

    def speak(self) -> None:
        """Publish for every site over one connection to the house's broker, until told to end, at QoS 1."""
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="cellar", protocol=mqtt.MQTTv5)
        client.username_pw_set("cellar", "plug")
        client.connect("127.0.0.1", self.house.port)
        client.loop_start()
        turn = 0
        while not self.ending.wait(0.05):
            turn += 1
            for number in range(SITES):
                told = json.dumps({"power": float(turn % 400), "time": int(time.time() * 1000)})
                client.publish(f"sensors/cellar/{site_id(number)}/plug", told, qos=1).wait_for_publish(PATIENCE_S)
                self.taken += 1
        client.disconnect()
        client.loop_stop()

    def await_sessions(self) -> None:
        """Wait until both brokers keep what comes for every site."""
        shares = {share_of(site_id(number), SHARES) for number in range(SITES)}
        names = {f"filters:load-{share}-{SHARES}" for share in shares}
        wanted = names | {f"{name}+1" for name in names}
        wait_until(lambda: wanted <= self.ledger.notes("filters").keys(), "the sessions", PATIENCE_S)

    def await_stored(self, count: int) -> None:
        """Wait until so many readings are on the server."""
        wait_until(lambda: self.store.count() >= count, f"{count} readings", PATIENCE_S)


@contextmanager
def twofold(folder: Path) -> Iterator[Twofold]:
    """All of it running, but for the messages."""
    with ExitStack() as stack:
        postgres = stack.enter_context(running_postgres())
        (folder / "influx").mkdir()
        influx = stack.enter_context(running_influx(folder / "influx"))
        offices = tuple(ShippedBroker(folder / name, "office", OFFICE_PASSWORDS) for name in ("first", "second"))
        for office in offices:
            office.prepare()
            if office is not offices[0]:  # one authority signs for both
                shutil.copytree(offices[0].folder / "certs", office.folder / "certs", dirs_exist_ok=True)
            office.start()
            stack.callback(office.stop)
        house = stack.enter_context(lined(folder / "house", offices))
        first, second = offices
        machines = (Machine(folder / "attic"), Machine(folder / "garage"))
        for machine in machines:
            write_fleet(
                machine.folder, SITES, f"mqtt://127.0.0.1:{first.port}", f"{influx.url}/outlast",
                username="outlast", password="hear",
            )  # fmt: skip
            settings = machine.folder / "outlast.toml"
            several = f'[broker]\nmore_urls = ["mqtt://127.0.0.1:{second.port}"]\n'
            settings.write_text(settings.read_text().replace("[broker]\n", several) + f'ledger = "{postgres.url}"\n')
            for file in (machine.folder / "sites").glob("*.toml"):
                file.write_text(file.read_text().replace('"fleet/', '"sites/larkspur/sensors/cellar/'))
            stack.callback(machine.end)
        installation = load_installation(machines[0].folder)
        ledger = stack.enter_context(closing(open_ledger(installation.ledger_url)))
        assert isinstance(ledger, SqlLedger)
        store = open_readings(installation, ledger, SystemClock(), role="look", owner=False)
        stack.enter_context(closing(store))
        for machine in machines:
            machine.start("collect")
        made = Twofold(house, (first, second), machines, ledger, store)
        made.await_sessions()
        yield made


@contextmanager
def lined(folder: Path, offices: tuple[ShippedBroker, ...]) -> Iterator[ShippedBroker]:
    """A house's broker whose line leads to the first office that answers."""
    places = " ".join(f"127.0.0.1:{office.tls_port}" for office in offices)
    house = ShippedBroker(
        folder, "house", HOUSE_PASSWORDS,
        bridge_to={
            "address office.example.org:8883": f"addresses {places}",
            "local_password change-me": "local_password line",
            "remote_password change-me": "remote_password far",
            "restart_timeout 2 60": "restart_timeout 1",
        },
    )  # fmt: skip
    house.prepare()
    (folder / "certs" / "office-ca.crt").write_bytes((offices[0].folder / "certs" / "ca.crt").read_bytes())
    bridge = folder / "conf.d" / "bridge.conf"
    bridge.write_text(bridge.read_text().replace("certs/ca.crt", "certs/office-ca.crt"))
    house.start()
    yield house
    house.stop()


@pytest.mark.slow  # three brokers, two servers and two collectors under messages
@pytest.mark.timeout(1800)
def test_one_of_two_brokers_dies_under_messages(tmp_path: Path, record_property: Callable[[str, object], None]) -> None:
    """In: messages all the while; the first broker killed, later started again. Out: they go on over the second, and of
    those that the house's broker took no more are lost than the dead one had in hand."""
    with twofold(tmp_path) as all_of_it:
        speaking = threading.Thread(target=all_of_it.speak)
        speaking.start()
        try:
            all_of_it.await_stored(50 * SITES)
            stored = all_of_it.store.count()
            all_of_it.offices[0].kill()
            in_hand = all_of_it.taken - stored
            all_of_it.await_stored(stored + in_hand + 50 * SITES)
            all_of_it.offices[0].start()
            all_of_it.await_stored(all_of_it.taken + 50 * SITES - in_hand)
        finally:
            all_of_it.ending.set()
            speaking.join()
        all_of_it.await_stored(all_of_it.taken - in_hand)
        deadline = time.monotonic() + SETTLED_S
        while all_of_it.store.count() < all_of_it.taken and time.monotonic() < deadline:
            time.sleep(0.5)
        lost = all_of_it.taken - all_of_it.store.count()
        record_property("messages in, rows out", f"{all_of_it.taken}, {all_of_it.store.count()}")
        record_property("in hand of the dead broker, lost", f"{in_hand}, {lost}")
        assert 0 <= lost <= in_hand
