"""What the Homie convention 5.0 requires of a device, one test each (homieiot.github.io/specification, 11 May 2025).

A house that is hard to tell: loads with names of any letters, two that read alike, an alarm, values of every datatype.
What is not here stands in test_courier_homie.py: `init` before `ready`, `lost` by the will, `disconnected` before
leaving, `version` that rises, commands that are reflected by a message that is not retained and of QoS 0, alerts that
are taken back. What controllers must do is not asked of a device; integers, colours, durations and JSON are not sent.
"""

from __future__ import annotations

import codecs
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec
import pytest

from api.deliver.homie import HomieCarrier
from collector.store.open import open_store
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.records import StoredForecast
from forecaster.domain.site import Channel, Site
from forecaster.engine.document import document
from forecaster.texts.catalogue import words
from tests.api.delivering import Begin, FastClock, eventually, queue, told
from tests.api.mosquitto import Hub, Mosquitto
from tests.forecaster.evidence import LARKSPUR, START_MS, forecast

BASE = "homie/5/outlast-larkspur"
NAMES = ("Pump #2 / Büro", "pump 2 buro", "+", "冷蔵庫", "-fan-")
CHANNELS = (
    Channel(Quantity.PUMP_POWER, "cellar/plug", unit="W"),
    Channel(Quantity.PUMP_ENERGY, "cellar/meter", unit="Wh"),
    Channel(Quantity.MAINS_PRESENT, "cellar/mains"),
    *(Channel(Quantity.LOAD_POWER, f"cellar/load/{place}", unit="W", of=name) for place, name in enumerate(NAMES)),
)
SITE = replace(LARKSPUR, channels=CHANNELS, language="es")
TYPES_SENT = ["float", "boolean", "enum", "datetime", "string"]
STATES = {b"init", b"ready", b"disconnected", b"sleeping", b"lost"}
FIELDS = {"homie", "version", "nodes", "name", "type", "children", "root", "parent", "extensions"}
NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?([eE]-?[0-9]+)?")
"""The characters that a float may have, in an order in which they are one."""


@dataclass(frozen=True)
class Heard:
    """What a controller that comes later finds retained."""

    values: dict[str, bytes]
    retained: frozenset[str]

    @property
    def about(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.values[f"{BASE}/$description"])
        return found

    def properties(self) -> Iterator[tuple[str, dict[str, Any]]]:
        for node, held in self.about["nodes"].items():
            yield from ((f"{BASE}/{node}/{name}", entry) for name, entry in held["properties"].items())


@pytest.fixture
def store(tmp_path: Path) -> Iterator[ReadingStore]:
    found = open_store(f"sqlite:///{tmp_path / 'readings.db'}")
    yield found
    found.close()


def carry(begin: Begin, broker: Mosquitto, ledger: Ledger, store: ReadingStore, site: Site, name: str) -> Any:
    return begin(HomieCarrier(broker.settings, name, {site.id: site}, ledger, FastClock(), lambda: None, store))


@pytest.fixture
def heard(broker: Mosquitto, ledger: Ledger, store: ReadingStore, begin: Begin) -> Heard:
    """The device, as it stands on the broker once it is ready."""
    store.append([Reading(SITE.id, c.quantity, START_MS, 1.0 + n, START_MS, c.of) for n, c in enumerate(CHANNELS)])
    text = msgspec.json.encode(document(forecast(START_MS))).decode()
    ledger.publish([StoredForecast(SITE.id, START_MS, text)])
    queue(ledger, SITE, [told()], START_MS, "homie")
    sender = carry(begin, broker, ledger, store, SITE, "musts")
    eventually(lambda: sender.sent == 1, "the delivery")
    return found(broker)


def found(broker: Mosquitto) -> Heard:
    early = Hub(broker.port, f"{BASE}/#")
    eventually(lambda: early.now.get(f"{BASE}/$state") == b"ready", "a ready device")
    eventually(lambda: early.now.get(f"{BASE}/alarms/headline", b"\0") != b"\0", "its alarm")
    there = {topic for topic, payload in early.now.items() if payload and not topic.endswith("/acknowledge")}
    early.close()
    hub = Hub(broker.port, "homie/5/#")
    eventually(lambda: there <= set(hub.now), "all that is retained")
    hub.close()
    return Heard(hub.now, frozenset(hub.retained))


def test_a_topic_has_small_letters_digits_and_hyphens_alone(heard: Heard) -> None:
    """Topic IDs: a-z, 0-9 and -, which MUST NOT be first or last; `$` is for attributes."""
    attributes = re.compile(r"\$(state|description|alert)")
    for topic in heard.values:
        for level in topic.split("/"):
            assert re.fullmatch(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?", level) or attributes.fullmatch(level), topic


def test_what_is_described_has_such_names_each_its_own(heard: Heard) -> None:
    names = [topic for topic, _ in heard.properties()]
    assert all(re.fullmatch(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?", topic.rpartition("/")[2]) for topic in names)
    assert sum("/load-power" in topic for topic in names) == len(NAMES)


def test_every_channel_keeps_its_value(heard: Heard) -> None:
    """Names that read alike are two properties with a value each."""
    values = sorted(float(v) for t, v in heard.values.items() if "/measured/load-power" in t)
    assert values == [4.0, 5.0, 6.0, 7.0, 8.0]


def test_payloads_are_utf_8(heard: Heard) -> None:
    assert all(payload.decode() for payload in heard.values.values())


def test_payloads_have_no_byte_order_mark(heard: Heard) -> None:
    assert not [topic for topic, payload in heard.values.items() if payload.startswith(codecs.BOM_UTF8)]


def test_everything_is_retained_that_is_not_said_to_be_otherwise(heard: Heard) -> None:
    assert set(heard.values) == heard.retained
    momentary = {topic for topic, entry in heard.properties() if entry.get("retained") is False}
    assert momentary == {f"{BASE}/alarms/acknowledge"}
    assert not momentary & set(heard.values)


def test_the_mandatory_attributes_are_sent(heard: Heard) -> None:
    assert heard.values[f"{BASE}/$state"] == b"ready"
    assert f"{BASE}/$description" in heard.values


def test_the_description_has_what_it_needs(heard: Heard) -> None:
    """Version of the convention without patch level, a whole number as version, names and datatypes."""
    about = heard.about
    assert re.fullmatch(r"5\.\d+", about["homie"])
    assert type(about["version"]) is int
    assert about["name"] == SITE.name
    for _, entry in heard.properties():
        assert entry["datatype"] in {
            "integer",
            "float",
            "boolean",
            "string",
            "enum",
            "color",
            "datetime",
            "duration",
            "json",
        }
        assert entry["datatype"] != "enum" or all(entry["format"].split(","))
        assert all(value is not None for value in entry.values())


def test_names_are_in_the_language_of_the_house(heard: Heard) -> None:
    nodes, say = heard.about["nodes"], words("es")
    assert [node["name"] for node in nodes.values()] == [
        say(f"homie.{node}") for node in ("forecast", "alarms", "measured")
    ]
    assert nodes["measured"]["properties"]["mains-present"]["name"] == say("quantity.mains_present")


@pytest.mark.parametrize("datatype", TYPES_SENT)
def test_a_value_is_valid_for_its_datatype(heard: Heard, datatype: str) -> None:
    """Payload: the value MUST be valid for the type; an empty one is for none of these but a string."""
    told = {
        topic: entry for topic, entry in heard.properties() if topic in heard.values and entry["datatype"] == datatype
    }
    assert told
    for topic, entry in told.items():
        text = heard.values[topic].decode()
        if datatype == "float":
            assert NUMBER.fullmatch(text), topic
            low, _, high = entry.get("format", ":").partition(":")
            assert float(low or "-inf") <= float(text) <= float(high or "inf"), topic
        elif datatype == "boolean":
            assert text in ("true", "false"), topic
        elif datatype == "enum":
            assert text in entry["format"].split(","), topic
        elif datatype == "datetime":
            assert datetime.fromisoformat(text).tzinfo is not None, topic
        else:
            assert text, topic


def test_only_these_datatypes_are_sent(heard: Heard) -> None:
    assert {entry["datatype"] for _, entry in heard.properties()} == set(TYPES_SENT)


def test_an_empty_text_is_one_byte_of_nought(
    broker: Mosquitto, ledger: Ledger, store: ReadingStore, begin: Begin
) -> None:
    """Empty string values: no payload at all would take the topic away. In: no alarm. Out: its headline is told."""
    carry(begin, broker, ledger, store, SITE, "no alarm")
    hub = Hub(broker.port, f"{BASE}/#")
    eventually(lambda: hub.now.get(f"{BASE}/$state") == b"ready", "a ready device")
    eventually(lambda: f"{BASE}/alarms/headline" in hub.now, "the headline")
    hub.close()
    assert hub.now[f"{BASE}/alarms/headline"] == b"\0"


def test_formats_are_of_their_datatype(heard: Heard) -> None:
    """Formats: an enum has at least one value, none empty, none twice; a float has bounds, a maximum not below the
    minimum; a boolean has two words; a text and a time have none."""
    for topic, entry in heard.properties():
        form, kind = entry.get("format", ""), entry["datatype"]
        if kind == "enum":
            values = form.split(",")
            assert all(values), topic
            assert len(set(values)) == len(values), topic
        elif kind == "float" and form:
            low, _, high = form.partition(":")
            assert all(NUMBER.fullmatch(bound) for bound in (low, high) if bound), topic
            assert not (low and high) or float(low) <= float(high), topic
        elif kind == "boolean" and form:
            assert len(form.split(",")) == 2, topic
        else:
            assert not form, topic


def test_a_root_device_names_no_parent(heard: Heard) -> None:
    """Description: `root` MUST be omitted for a root device; what else there is are fields of the convention."""
    assert not {"root", "parent"} & heard.about.keys()
    assert heard.about.keys() <= FIELDS
    assert all(node.keys() <= {"name", "type", "properties"} for node in heard.about["nodes"].values())


def test_no_target_is_told_once_and_then_not(heard: Heard) -> None:
    """`$target` is for every value or for none: for none."""
    assert not [topic for topic in heard.values if topic.endswith("/$target")]


def test_each_house_is_a_device_of_its_own(
    broker: Mosquitto, ledger: Ledger, store: ReadingStore, begin: Begin
) -> None:
    other = replace(SITE, id="linden")
    begin(
        HomieCarrier(broker.settings, "two", {s.id: s for s in (SITE, other)}, ledger, FastClock(), lambda: None, store)
    )
    hub = Hub(broker.port, "+/5/+/$state")
    ready = {f"homie/5/outlast-{site.id}/$state": b"ready" for site in (SITE, other)}
    eventually(lambda: hub.now == ready, "two devices")
    hub.close()


def test_a_device_that_is_ready_has_subscribed_to_its_commands(
    broker: Mosquitto, ledger: Ledger, store: ReadingStore, begin: Begin
) -> None:
    """Lifecycle, `ready`: it has subscribed to all `/set` topics. In: a command at the first word of `ready`."""
    hub = Hub(broker.port, f"{BASE}/#")
    carry(begin, broker, ledger, store, SITE, "commanded")
    eventually(lambda: hub.now.get(f"{BASE}/$state") == b"ready", "a ready device")
    hub.say(f"{BASE}/alarms/acknowledge/set", b"all")
    eventually(lambda: (f"{BASE}/alarms/acknowledge", b"all") in hub.all, "the answer")
    hub.close()


def test_the_description_changes_only_while_the_device_is_not_ready(
    broker: Mosquitto, ledger: Ledger, store: ReadingStore, begin: Begin
) -> None:
    """`$description` may change only in `init`, `disconnected` or `lost`; and there are five states."""
    hub = Hub(broker.port, f"{BASE}/$state", f"{BASE}/$description")
    for number, name in enumerate(("The old cellar", "The new cellar")):
        sender = carry(begin, broker, ledger, store, replace(SITE, name=name), f"renamed-{number}")
        eventually(lambda: hub.now.get(f"{BASE}/$state") == b"ready", "a ready device")
        sender.stop()
        eventually(lambda: hub.now.get(f"{BASE}/$state") == b"disconnected", "the farewell")
    hub.close()
    state, described, changes = b"", b"", []
    for topic, payload in hub.all:
        if topic.endswith("/$state"):
            state = payload
        elif payload != described:
            described = payload
            changes.append(state)
    assert changes == [b"init", b"init"]
    assert {payload for topic, payload in hub.all if topic.endswith("/$state")} <= STATES


def test_a_device_that_is_removed_ceases_to_exist_first(
    broker: Mosquitto, ledger: Ledger, store: ReadingStore, begin: Begin
) -> None:
    """Removal: `$state` is emptied first, then every other topic of the device."""
    first = carry(begin, broker, ledger, store, SITE, "removed")
    hub = Hub(broker.port, f"{BASE}/#")
    eventually(lambda: hub.now.get(f"{BASE}/$state") == b"ready", "a ready device")
    first.stop()
    eventually(lambda: hub.now.get(f"{BASE}/$state") == b"disconnected", "the farewell")
    before = len(hub.all)
    carry(begin, broker, ledger, store, replace(SITE, id="linden"), "stays")
    eventually(lambda: ledger.noted("homie-sites") == '["linden"]', "the note")
    eventually(lambda: not any(hub.now.values()), "all of it emptied")
    hub.close()
    assert hub.all[before] == (f"{BASE}/$state", b"")


def test_nothing_is_told_that_is_not_described(heard: Heard) -> None:
    """Any topic but those of the description, attributes and alerts is not part of the convention."""
    described = {topic for topic, _ in heard.properties()}
    assert {topic for topic in heard.values if "$" not in topic} <= described


def test_a_channel_that_is_gone_leaves_no_value(
    broker: Mosquitto, ledger: Ledger, store: ReadingStore, begin: Begin, heard: Heard
) -> None:
    """Old properties are removed by an empty payload; that of a name that no topic can have never stood there."""
    assert f"{BASE}/measured/pump-energy" in heard.values
    ledger.note(f"homie-measured:{SITE.id}", '["load-power-Pump #2","pump-energy","pump-power"]')
    carry(begin, broker, ledger, store, replace(SITE, channels=CHANNELS[:1]), "later")
    eventually(lambda: ledger.noted(f"homie-measured:{SITE.id}") == '["pump-power"]', "the note")
    assert f"{BASE}/measured/pump-energy" not in found(broker).values
