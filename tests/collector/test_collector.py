"""The collector with a real broker: sessions, restarts, quarantine, retained values, filters, clients that clash."""

from __future__ import annotations

import itertools
import json
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.collector import Collector, kept_client_id
from collector.config.settings import load_installation
from collector.store.open import open_ledger, open_store
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.quantities import Quantity
from tests.collector.examples import LARKSPUR, installation_in
from tests.servers import Mosquitto, eventually, mosquitto, running_mosquitto

__all__ = ["mosquitto"]

START_S = 1_772_510_700


class House:
    """An installation with its store, ledger and collector on one broker."""

    def __init__(self, folder: Path, broker_url: str, site: str = LARKSPUR, extra: str = "") -> None:
        self.folder = installation_in(folder, broker_url, site)
        with (self.folder / "outlast.toml").open("a", encoding="utf-8") as file:
            file.write(extra)
        self.installation = load_installation(self.folder)
        self.store: ReadingStore = open_store(self.installation.readings_url)
        self.ledger: Ledger = open_ledger(self.installation.ledger_url)
        self.commits = threading.Event()
        self.collector = Collector(self.installation, self.store, self.ledger, SystemClock(), self.commits.set)

    def start(self) -> None:
        """Start, and wait for the subscription."""
        self.collector.start()
        note = f"filters:{self.installation.broker.client_id or kept_client_id(self.ledger)}"
        eventually(lambda: self.ledger.noted(note) is not None and self.collector.state().connected, "subscription")

    def stop(self) -> None:
        """Stop and close."""
        self.collector.stop()
        self.store.close()
        self.ledger.close()


@contextmanager
def house(folder: Path, broker_url: str, site: str = LARKSPUR, extra: str = "") -> Iterator[House]:
    made = House(folder, broker_url, site, extra)
    try:
        made.start()
        yield made
    finally:
        made.stop()


@contextmanager
def open_readings_of(folder: Path) -> Iterator[ReadingStore]:
    """The readings of an installation that does not run."""
    store = open_store(load_installation(folder).readings_url)
    try:
        yield store
    finally:
        store.close()


def plug(at_s: int, power: float = 480.5) -> tuple[str, bytes]:
    """A plug's message `at_s` seconds after the start."""
    return "cellar/plug/state", b'{"power":%r,"time":%d}' % (power, START_S + at_s)


def test_messages_become_readings_and_are_acknowledged(tmp_path: Path, mosquitto: Mosquitto) -> None:
    with house(tmp_path, mosquitto.url) as made:
        mosquitto.publish([plug(i) for i in range(200)])
        eventually(lambda: made.collector.state().messages == 200, "200 messages")
        assert made.store.count("larkspur") == 200
        assert made.commits.is_set()
        state = made.collector.state()
        assert (state.connected, state.protocol, state.problems) == (True, "5", ())
        assert state.message_age_s is not None
        assert state.readings == 200
        assert {name for name, *_ in made.collector.counts()} >= {"outlast_messages", "outlast_refusals"}
    with house(tmp_path, mosquitto.url) as made:
        mosquitto.publish([plug(1000)])
        eventually(lambda: made.collector.state().messages > 0, "a message")
        assert made.collector.state().messages == 1, "what was acknowledged comes again"


def stored_before_and_sent_again(folder: Path, broker: Mosquitto, sent: int, window: str) -> tuple[int, int]:
    """Stop a collector while messages come; how many it had stored, and how many the next one is sent."""
    with house(folder, broker.url):
        pass
    publisher = threading.Thread(target=broker.publish, args=([plug(i) for i in range(sent)],))
    publisher.start()
    with house(folder, broker.url, extra=window) as first:
        eventually(lambda: first.collector.state().message_age_s is not None, "a message")
    publisher.join()
    with open_readings_of(folder) as store:
        stored = store.count()
    broker.publish([plug(sent)])
    with house(folder, broker.url) as second:
        eventually(lambda: second.store.count() == sent + 1, "all the readings")
        eventually(lambda: second.collector.state().messages >= sent + 1 - stored, "all the acknowledgements")
        return stored, second.collector.state().messages


@pytest.mark.parametrize("window_ms", [0, 60_000])
def test_what_is_stored_at_the_end_is_acknowledged_and_not_sent_again(
    tmp_path: Path, mosquitto: Mosquitto, window_ms: int
) -> None:
    """With a long window the commit is made by the end itself: its acknowledgements must still reach the broker."""
    window = f"\n[store]\ncommit_window_ms = {window_ms}\n"
    stored, again = stored_before_and_sent_again(tmp_path, mosquitto, 2000, window)
    assert stored > 0
    assert again == 2001 - stored


def test_what_is_sent_while_away_waits_at_the_broker(tmp_path: Path, mosquitto: Mosquitto) -> None:
    with house(tmp_path, mosquitto.url):
        pass
    mosquitto.publish([plug(i) for i in range(1500)])
    with house(tmp_path, mosquitto.url) as made:
        eventually(lambda: made.store.count() == 1500, "1500 readings")


def test_fifty_bad_payloads_then_one_good(tmp_path: Path) -> None:
    """With the broker's default window of 20: messages never acknowledged would stop the flow."""
    with (
        running_mosquitto(tmp_path / "broker", more="") as broker,
        house(tmp_path / "house", broker.url) as made,
    ):
        bad = [("cellar/plug/state", b'{"power":"unavailable","time":%d}' % i) for i in range(50)]
        broker.publish([*bad, plug(7)])
        eventually(lambda: made.collector.state().messages == 51, "all the messages")
        assert made.store.count() == 1
        refusals = made.ledger.refusals("larkspur")
        assert len(refusals) == 50
        assert {r.reason for r in refusals} == {
            f"the source time ({i * 1000} ms) is before 2000; is the source's clock set?" for i in range(50)
        }
        assert made.collector.state().refusals == 50


def test_a_retained_value_without_a_time_is_no_sample(tmp_path: Path, mosquitto: Mosquitto) -> None:
    mosquitto.publish([("cellar/float", b"WET")], retain=True)
    with house(tmp_path, mosquitto.url) as made:
        mosquitto.publish([plug(0)])
        eventually(lambda: made.store.count() == 1, "the plug's reading")
        assert (Quantity.HIGH_WATER, "") not in made.store.latest("larkspur")
        mosquitto.publish([("cellar/float", b"DRY")], retain=True)
        eventually(lambda: (Quantity.HIGH_WATER, "") in made.store.latest("larkspur"), "the live value")


def heard(broker: Mosquitto, made: House, message: tuple[str, bytes], count: int) -> bool:
    """Whether a message, sent as often as is asked, has come to be the so-manieth reading: it is stored once."""
    broker.publish([message])
    return made.store.count() >= count


@pytest.mark.parametrize("persistent", [True, False])
def test_a_broker_restarted_under_the_collector(tmp_path: Path, persistent: bool) -> None:
    with (
        running_mosquitto(tmp_path / "broker", persistent=persistent) as broker,
        house(tmp_path / "house", broker.url) as made,
    ):
        broker.publish([plug(i) for i in range(50)])
        eventually(lambda: made.store.count() == 50, "50 readings")
        broker.stop()
        eventually(lambda: bool(made.collector.state().problems), "the loss being told")
        assert not made.collector.state().connected
        broker.start()
        eventually(lambda: heard(broker, made, plug(50), 51), "a new subscription")
        broker.publish([plug(i) for i in range(51, 100)])
        eventually(lambda: made.store.count() == 100, "100 readings")
        eventually(lambda: made.collector.state().problems == (), "all well")


def test_filters_that_the_config_dropped_are_left(tmp_path: Path, mosquitto: Mosquitto) -> None:
    with house(tmp_path, mosquitto.url, LARKSPUR.replace("cellar/float", "old/float")):
        pass
    with house(tmp_path, mosquitto.url) as made:
        sent = itertools.count(1)

        def only_the_plug_is_heard() -> bool:
            """The broker gives to a session in order: what came before the plug's message has been counted with it."""
            before, count = made.collector.state().messages, next(sent)
            mosquitto.publish([("old/float", b"WET"), plug(count)])
            eventually(lambda: made.store.count() == count, "the plug's message")
            return made.collector.state().messages == before + 1

        eventually(only_the_plug_is_heard, "the old filter being left")


def test_two_installations_with_one_name_are_told(tmp_path: Path, mosquitto: Mosquitto) -> None:
    clash = 'client_id = "same"\n'
    with house(tmp_path / "a", mosquitto.url, extra=clash) as first, house(tmp_path / "b", mosquitto.url, extra=clash):
        eventually(lambda: any("another client" in p for p in first.collector.state().problems), "the clash being told")


def test_a_broker_that_is_not_there_is_told_and_waited_for(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path / "broker")
    made = House(tmp_path / "house", broker.url)
    made.collector.start()
    try:
        eventually(lambda: any("no broker answers" in p for p in made.collector.state().problems), "the problem")
        broker.start()
        eventually(lambda: made.collector.state().connected, "the connection")
        assert made.collector.alive()
    finally:
        made.stop()
        broker.kill()
    assert not made.collector.alive()


def test_a_broker_that_refuses_us_is_told_and_a_password_lets_us_in(tmp_path: Path) -> None:
    passwords = tmp_path / "passwords"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "outlast", "hush"], check=True)
    broker = Mosquitto(tmp_path / "broker", more=f"password_file {passwords}\n", anonymous=False)
    broker.start()
    made = House(tmp_path / "house", broker.url)
    made.collector.start()
    try:
        eventually(lambda: any("refuses us" in p for p in made.collector.state().problems), "the refusal")
        assert not made.collector.state().connected
    finally:
        made.stop()
    (tmp_path / "house" / "secret").write_text("hush\n", encoding="utf-8")
    try:
        with house(tmp_path / "house", broker.url, extra='username = "outlast"\npassword_file = "secret"\n') as let_in:
            assert let_in.collector.state().problems == ()
    finally:
        broker.kill()


def test_a_filter_that_the_broker_refuses_is_told(tmp_path: Path) -> None:
    """The broker's own security plugin lets its administrator in, and is told to give it only its control topics."""
    (plugin,) = Path("/usr/lib").glob("*/mosquitto_dynamic_security.so")
    rules = tmp_path / "rules.json"
    subprocess.run(["mosquitto_ctrl", "dynsec", "init", str(rules), "admin", "hush"], check=True, capture_output=True)
    made_rules = json.loads(rules.read_text(encoding="utf-8"))
    role = made_rules["roles"][0]
    role["acls"] = [acl for acl in role["acls"] if acl["topic"] != "#"]
    rules.write_text(json.dumps(made_rules), encoding="utf-8")
    broker = Mosquitto(tmp_path / "broker", more=f"plugin {plugin}\nplugin_opt_config_file {rules}\n", anonymous=False)
    broker.start()
    (tmp_path / "house").mkdir()
    (tmp_path / "house" / "secret").write_text("hush\n", encoding="utf-8")
    made = House(tmp_path / "house", broker.url, extra='username = "admin"\npassword_file = "secret"\n')
    made.collector.start()
    try:
        eventually(
            lambda: any("does not give us 'cellar/float'" in p for p in made.collector.state().problems), "the refusal"
        )
        assert made.collector.state().connected
    finally:
        made.stop()
        broker.kill()
