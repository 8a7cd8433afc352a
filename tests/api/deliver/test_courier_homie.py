"""Each site as a Homie v5 device, held to the rules of the Homie convention 5.0 (homieiot.github.io/specification).

The description is held to the rules of the convention, version 5, as written: no general-purpose library that reads
such a description was found for Python; those looked at speak version 4, or publish only.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from itertools import count
from pathlib import Path
from typing import Any

import msgspec
import pytest

from api.deliver.courier import Courier
from api.deliver.homie import FORECAST, HomieCarrier, description
from collector.store.open import open_store
from forecaster.domain.alarms import AlarmKind, AlarmState, TransitionKind
from forecaster.domain.errors import StaleLease, StoreError, StoreUnavailable
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.records import StoredForecast
from forecaster.domain.site import Channel, Site
from forecaster.engine.document import document
from tests.api.delivering import Begin, FastClock, SteppedClock, eventually, queue, told
from tests.api.mosquitto import Hub, Mosquitto
from tests.engines import PATIENCE_S
from tests.forecaster.evidence import HOUR, LARKSPUR, MINUTE, START_MS, forecast

BASE = "homie/5/outlast-larkspur"
ID = re.compile(r"[a-z0-9-]+")
DATATYPES = {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"}


@pytest.fixture
def clock() -> SteppedClock:
    return FastClock()


Start = Callable[..., Courier]


@pytest.fixture
def start(broker: Mosquitto, ledger: Ledger, clock: SteppedClock, begin: Begin) -> Start:
    numbers = count()

    def begin_for(*sites: Site, store: ReadingStore | None = None) -> Courier:
        by_id = {site.id: site for site in sites or (LARKSPUR,)}
        name = f"homie-test-{next(numbers)}"
        return begin(HomieCarrier(broker.settings, name, by_id, ledger, clock, lambda: None, store))

    return begin_for


def publish(ledger: Ledger, at_ms: int = START_MS, **facts: Any) -> None:
    ahead = document(forecast(at_ms, **facts))
    ledger.publish([StoredForecast("larkspur", at_ms, msgspec.json.encode(ahead).decode())])


def fits(value: bytes, about: dict[str, Any]) -> bool:
    """Whether a payload is valid for its property, by the convention's section on payloads and formats."""
    text = value.decode()
    match about["datatype"]:
        case "enum":
            return text in about["format"].split(",")
        case "float":
            low, _, high = about.get("format", ":").partition(":")
            number = float(text)
            return (not low or number >= float(low)) and (not high or number <= float(high))
        case "boolean":
            return text in ("true", "false")
        case "datetime":
            return datetime.fromisoformat(text).tzinfo is not None
        case kind:
            return kind == "string" and bool(text)


def check_description(about: dict[str, Any]) -> None:
    """Required fields, identifiers, data types and formats."""
    assert re.fullmatch(r"5\.\d+", about["homie"])
    assert isinstance(about["version"], int)
    assert about["name"]
    for node_id, node in about["nodes"].items():
        assert ID.fullmatch(node_id)
        for property_id, entry in node["properties"].items():
            assert ID.fullmatch(property_id)
            assert entry["datatype"] in DATATYPES
            assert set(entry) <= {"name", "datatype", "format", "settable", "retained", "unit"}
            if entry["datatype"] == "enum":
                assert all(entry["format"].split(","))


def test_the_description_keeps_the_convention() -> None:
    check_description(description(LARKSPUR, 1))


def test_a_hub_finds_the_device_by_itself(broker: Mosquitto, ledger: Ledger, clock: SteppedClock, start: Start) -> None:
    publish(ledger)
    queue(ledger, LARKSPUR, [told()], clock.now_ms(), "homie")
    sender = start()
    eventually(lambda: sender.sent == 1, "the delivery")
    hub = Hub(broker.port, "+/5/+/$state", f"{BASE}/#")
    eventually(lambda: hub.now.get(f"{BASE}/$state") == b"ready", "a ready device")
    eventually(lambda: f"{BASE}/alarms/headline" in hub.now, "its values")
    hub.close()
    about = json.loads(hub.now[f"{BASE}/$description"])
    check_description(about)
    known = 0
    for node_id, node in about["nodes"].items():
        for property_id, entry in node["properties"].items():
            topic = f"{BASE}/{node_id}/{property_id}"
            if topic in hub.now:
                known += 1
                assert fits(hub.now[topic], entry), topic
                assert topic in hub.retained
                assert hub.qos[topic] == 2
    assert known >= len(AlarmKind) + len(FORECAST) - 2
    assert hub.now[f"{BASE}/alarms/high-water"] == b"unacknowledged"
    assert hub.now[f"{BASE}/alarms/highest"] == b"critical"
    assert hub.now[f"{BASE}/alarms/mains-lost"] == b"normal"


def test_the_description_comes_before_ready(broker: Mosquitto, start: Start) -> None:
    hub = Hub(broker.port, f"{BASE}/#")
    start()
    eventually(lambda: hub.now.get(f"{BASE}/$state") == b"ready", "a ready device")
    hub.close()
    topics = [topic for topic, _ in hub.all]
    states = [payload for topic, payload in hub.all if topic == f"{BASE}/$state"]
    assert states == [b"init", b"ready"]
    assert topics[0] == f"{BASE}/$state"
    assert topics[-1] == f"{BASE}/$state"
    assert f"{BASE}/$description" in topics


def test_a_value_no_longer_known_leaves_no_stale_one(broker: Mosquitto, ledger: Ledger, start: Start) -> None:
    publish(ledger)
    hub = Hub(broker.port, f"{BASE}/#")
    start()
    eventually(lambda: hub.now.get(f"{BASE}/forecast/charge") == b"100.0", "the charge")
    publish(ledger, START_MS + MINUTE, charge_percent=None)
    eventually(lambda: hub.now.get(f"{BASE}/forecast/charge") == b"", "the charge emptied")
    hub.close()
    late = Hub(broker.port, f"{BASE}/#")
    eventually(lambda: f"{BASE}/$state" in late.now, "the state")
    late.close()
    assert f"{BASE}/forecast/charge" not in late.now


def test_an_alarm_that_is_over_is_normal_and_its_headline_empty(
    broker: Mosquitto, ledger: Ledger, clock: SteppedClock, start: Start
) -> None:
    hub = Hub(broker.port, f"{BASE}/#")
    sender = start()
    queue(ledger, LARKSPUR, [told()], clock.now_ms(), "homie")
    eventually(lambda: hub.now.get(f"{BASE}/alarms/high-water") == b"unacknowledged", "the raise")
    done = told(what=TransitionKind.CLEARED, revision=1, at_ms=START_MS + MINUTE, state=AlarmState.NORMAL)
    queue(ledger, LARKSPUR, [done], clock.now_ms(), "homie")
    eventually(lambda: hub.now.get(f"{BASE}/alarms/high-water") == b"normal", "the end")
    eventually(lambda: hub.now.get(f"{BASE}/alarms/headline") == b"\0", "the headline emptied")
    assert hub.now[f"{BASE}/alarms/highest"] == b"none"
    hub.close()
    assert sender.failed == 0


def test_a_command_acknowledges_and_is_answered(
    broker: Mosquitto, ledger: Ledger, clock: SteppedClock, start: Start
) -> None:
    queue(ledger, LARKSPUR, [told()], clock.now_ms(), "homie")
    sender = start()
    eventually(lambda: sender.sent == 1, "the delivery")
    hub = Hub(broker.port, f"{BASE}/#")
    hub.say(f"{BASE}/alarms/acknowledge/set", b"nonsense")
    hub.say(f"{BASE}/alarms/acknowledge/set", b"all")
    eventually(lambda: len(ledger.requests(0)) == 1, "the request")
    eventually(lambda: (f"{BASE}/alarms/acknowledge", b"all") in hub.all, "the answer")
    hub.close()
    assert hub.qos[f"{BASE}/alarms/acknowledge"] == 0
    assert f"{BASE}/alarms/acknowledge" not in hub.retained


def ready(hub: Hub) -> None:
    eventually(lambda: hub.now.get(f"{BASE}/$state") == b"ready", "a ready device")


def test_the_version_rises_with_the_description_and_only_then(broker: Mosquitto, start: Start) -> None:
    """Homie convention 5.0, device attributes: `version` increases whenever anything in the description changes."""
    versions = []
    renamed = replace(LARKSPUR, name="Larkspur Lane, the old cellar")
    for site in (LARKSPUR, LARKSPUR, renamed, renamed, LARKSPUR):
        sender = start(site)
        hub = Hub(broker.port, f"{BASE}/#")
        ready(hub)
        about = json.loads(hub.now[f"{BASE}/$description"])
        assert about["name"] == site.name
        versions.append(about["version"])
        hub.close()
        sender.stop()
    assert versions == [2, 2, 3, 3, 4]


def test_a_device_leaves_in_good_order(broker: Mosquitto, ledger: Ledger, start: Start) -> None:
    sender = start()
    hub = Hub(broker.port, f"{BASE}/$state")
    eventually(lambda: hub.now.get(f"{BASE}/$state") == b"ready", "a ready device")
    sender.stop()
    eventually(lambda: hub.now.get(f"{BASE}/$state") == b"disconnected", "the farewell")
    hub.close()
    assert ledger.noted("homie-sites") == '["larkspur"]'


def test_a_device_of_a_removed_site_is_removed(broker: Mosquitto, ledger: Ledger, start: Start) -> None:
    linden = replace(LARKSPUR, id="linden")
    first = start(LARKSPUR, linden)
    hub = Hub(broker.port, "homie/5/+/$state")
    eventually(lambda: hub.now.get("homie/5/outlast-linden/$state") == b"ready", "the second device")
    first.stop()
    start(LARKSPUR)
    eventually(lambda: hub.now.get("homie/5/outlast-linden/$state") == b"", "its removal")
    eventually(lambda: ledger.noted("homie-sites") == '["larkspur"]', "the note")
    late = Hub(broker.port, "homie/5/#")
    eventually(lambda: late.now.get(f"{BASE}/$state") == b"ready", "the one that stays")
    late.close()
    hub.close()
    assert not [topic for topic in late.now if "linden" in topic]


def test_energy_stands_in_both_units(broker: Mosquitto, ledger: Ledger, start: Start) -> None:
    """Watt hours stay where they were; kilowatt hours, which the convention recommends, stand beside them."""
    publish(ledger, usable_wh=498.0)
    start()
    hub = Hub(broker.port, f"{BASE}/forecast/#")
    eventually(lambda: hub.now.get(f"{BASE}/forecast/usable-kwh") == b"0.498", "the energy")
    assert hub.now[f"{BASE}/forecast/usable"] == b"498.0"
    hub.close()
    about = description(LARKSPUR, 1)["nodes"]["forecast"]["properties"]
    units = {name: entry.get("unit") for name, entry in about.items()}
    assert (units["usable"], units["usable-kwh"]) == ("Wh", "kWh")


def test_an_alert_stands_until_somebody_acts(
    broker: Mosquitto, ledger: Ledger, clock: SteppedClock, start: Start
) -> None:
    """Homie convention 5.0, alerts (from memory): `$alert/<id>`, retained, a text for people; removed when resolved."""
    sender = start()
    hub = Hub(broker.port, f"{BASE}/#")
    ready(hub)
    raised = told()
    queue(ledger, LARKSPUR, [raised], clock.now_ms(), "homie")
    sender.wake()
    said = f"{raised.alarm.headline} {raised.alarm.action}".encode()
    eventually(lambda: hub.now.get(f"{BASE}/$alert/high-water") == said, "the alert")
    seen = told(what=TransitionKind.ACKNOWLEDGED, revision=1, state=AlarmState.ACKNOWLEDGED)
    queue(ledger, LARKSPUR, [seen], clock.now_ms(), "homie")
    sender.wake()
    eventually(lambda: hub.now.get(f"{BASE}/$alert/high-water") == b"", "its end")
    hub.close()


@pytest.mark.parametrize(
    ("why", "state"),
    [(StaleLease(("forecast-0",), "another carries it"), b"ready"), (StoreUnavailable("locked"), b"disconnected")],
)
def test_a_device_leaves_in_order_where_the_ledger_takes_no_note_of_it(
    broker: Mosquitto, ledger: Ledger, start: Start, monkeypatch: pytest.MonkeyPatch, why: StoreError, state: bytes
) -> None:
    """In silence where another process has it by now; else it says so, since nobody knows of it."""
    sender = start()
    hub = Hub(broker.port, f"{BASE}/#")
    ready(hub)

    def refuse(_name: str, _value: str) -> None:
        raise why

    monkeypatch.setattr(ledger, "note", refuse)
    sender.stop()
    assert not sender.alive()
    probe = Hub(broker.port, f"{BASE}/$state")
    eventually(lambda: probe.now.get(f"{BASE}/$state") == state, "the device's last word")
    assert not any("homie" in thread.name for thread in threading.enumerate() if thread.is_alive())
    probe.close()
    hub.close()


MEASURING = replace(
    LARKSPUR,
    channels=(
        Channel(Quantity.PUMP_ENERGY, "cellar/plug/energy", unit="Wh"),
        Channel(Quantity.MAINS_PRESENT, "cellar/mains", unit=""),
        Channel(Quantity.PACK_TEMPERATURE, "cellar/pack/temperature", unit="degC"),
        Channel(Quantity.LOAD_POWER, "cellar/router", unit="W", of="router"),
        Channel(Quantity.RAIN_EXPECTED, "weather", unit="mm"),
    ),
)


def test_what_is_measured_is_told_in_the_units_of_the_convention(
    broker: Mosquitto, ledger: Ledger, clock: SteppedClock, start: Start, tmp_path: Path
) -> None:
    """A counter in kWh, a flag as true or false; a value of two hours ago is not known, and rain to come no reading."""
    store = open_store(f"sqlite:///{tmp_path / 'readings.db'}")
    now_ms = clock.now_ms()
    store.append(
        [
            Reading("larkspur", Quantity.PUMP_ENERGY, now_ms, 12_345.0, now_ms),
            Reading("larkspur", Quantity.MAINS_PRESENT, now_ms - 24 * HOUR, 0.0, now_ms),
            Reading("larkspur", Quantity.PACK_TEMPERATURE, now_ms - 2 * HOUR, 21.0, now_ms),
            Reading("larkspur", Quantity.LOAD_POWER, now_ms, 12.5, now_ms, subject="router"),
        ]
    )
    publish(ledger)
    start(MEASURING, store=store)
    hub = Hub(broker.port, f"{BASE}/#")
    ready(hub)
    about = json.loads(hub.now[f"{BASE}/$description"])["nodes"]["measured"]["properties"]
    values = {name: hub.now.get(f"{BASE}/measured/{name}", b"") for name in about}
    assert values == {
        "pump-energy": b"12.345", "mains-present": b"false", "pack-temperature": b"", "load-power-router": b"12.5",
    }  # fmt: skip
    assert {name: entry.get("unit") for name, entry in about.items()} == {
        "pump-energy": "kWh", "mains-present": None, "pack-temperature": "°C", "load-power-router": "W",
    }  # fmt: skip
    check_description(json.loads(hub.now[f"{BASE}/$description"]))
    assert all(fits(value, about[name]) for name, value in values.items() if value)
    hub.close()
    store.close()


def test_a_change_of_another_site_takes_no_device_away(broker: Mosquitto, ledger: Ledger, start: Start) -> None:
    """In: one of two site files changes, so that all workers begin anew. Out: its device leaves and comes back, and the
    other's hub sees no state but ready."""
    linden = replace(LARKSPUR, id="linden")
    publish(ledger)
    first = start(LARKSPUR, linden)
    hub = Hub(broker.port, "homie/5/+/$state")
    eventually(lambda: len(hub.now) == 2 and set(hub.now.values()) == {b"ready"}, "both devices")
    before = len(hub.all)
    assert isinstance(first.carrier, HomieCarrier)
    first.carrier.hand_over(frozenset({"larkspur"}))
    first.stop()
    start(LARKSPUR, replace(linden, name="Linden Court"))
    linden_state = "homie/5/outlast-linden/$state"
    eventually(lambda: [p for t, p in hub.all[before:] if t == linden_state][-1:] == [b"ready"], "the changed one")
    eventually(lambda: (f"{BASE}/$state", b"ready") in hub.all[before:], "the one that stays")
    hub.close()
    assert {payload for topic, payload in hub.all[before:] if topic == f"{BASE}/$state"} == {b"ready"}
    assert [p for t, p in hub.all[before:] if t == linden_state] == [b"disconnected", b"init", b"ready"]


LONELY = """
import sys, time
from pathlib import Path
from api.deliver.homie import HomieCarrier
from collector.config.settings import Broker
from tests.api.delivering import SteppedClock, courier, ledger_in
from tests.forecaster.evidence import LARKSPUR
ledger, clock = ledger_in(Path(sys.argv[2])), SteppedClock()
broker = Broker(url=f"mqtt://127.0.0.1:{sys.argv[1]}", keepalive_s=5)
courier(HomieCarrier(broker, "lonely", {LARKSPUR.id: LARKSPUR}, ledger, clock, lambda: None), ledger, clock).start()
time.sleep(600)
"""


def test_a_process_that_is_killed_is_lost(broker: Mosquitto, tmp_path: Path) -> None:
    folder = tmp_path / "lonely"
    folder.mkdir()
    hub = Hub(broker.port, f"{BASE}/$state")
    root = Path(__file__).resolve().parents[3]
    process = subprocess.Popen([sys.executable, "-c", LONELY, str(broker.port), str(folder)], cwd=root)
    try:
        eventually(lambda: hub.now.get(f"{BASE}/$state") == b"ready", "a ready device")
        os.kill(process.pid, signal.SIGKILL)
        eventually(lambda: hub.now.get(f"{BASE}/$state") == b"lost", "the will")
    finally:
        process.kill()
        process.wait(PATIENCE_S)
        hub.close()
