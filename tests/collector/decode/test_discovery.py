"""What a broker has to offer, for set-up."""

from __future__ import annotations

import threading
from pathlib import Path

from collector.config.settings import load_installation
from collector.decode.discovery import Discovery
from forecaster.domain.quantities import Quantity
from tests.collector.examples import discover, installation_in
from tests.servers import Mosquitto, mosquitto

__all__ = ["mosquitto"]


def test_fields_are_found_with_values_and_guesses() -> None:
    found = Discovery()
    for power in (0.0, 481.5):
        payload = b'{"power":%r,"total_energy":1.5,"relay":true,"time":"2026-03-03T04:05:06Z","odd name":"x"}' % power
        found.hear("cellar/plug/state", payload, False)
    found.hear("cellar/pit/level", b"0.12", True)
    found.hear("pack", b'[{"bn":"pack:","n":"soc","u":"%EL","v":71}]', False)
    found.hear("noise", b"\xff\xfe", False)
    by_topic = {topic.topic: topic for topic in found.topics()}
    plug = by_topic["cellar/plug/state"]
    fields = {f.path: f for f in plug.fields}
    assert (plug.messages, plug.retained_only, plug.time_path) == (2, False, "$.time")
    assert (fields["$.power"].quantity, fields["$.power"].unit) == (Quantity.PUMP_POWER, "W")
    assert fields["$.power"].values == ("0.0", "481.5")
    assert fields["$.total_energy"].quantity is Quantity.PUMP_ENERGY
    assert (fields["$.relay"].kind, fields["$.relay"].quantity) == ("yes-no", Quantity.PUMP_RUNNING)
    assert fields["$['odd name']"].kind == "text"
    level = by_topic["cellar/pit/level"]
    assert level.retained_only
    assert (level.fields[0].path, level.fields[0].quantity) == (None, Quantity.WATER_LEVEL)
    pack = by_topic["pack"]
    assert (pack.format, pack.fields[0].path, pack.fields[0].quantity) == ("senml", "pack:soc", Quantity.PACK_CHARGE)
    assert by_topic["noise"].fields == ()


def test_listening_to_a_real_broker(tmp_path: Path, mosquitto: Mosquitto) -> None:
    broker = load_installation(installation_in(tmp_path, mosquitto.url)).broker
    mosquitto.publish([("cellar/old", b"7")], retain=True)
    later = threading.Timer(0.7, mosquitto.publish, ([("cellar/plug", b'{"power":5}')],))
    later.start()
    found = discover(broker, 3.0)
    later.join()
    assert [(t.topic, t.retained_only) for t in found] == [("cellar/old", True), ("cellar/plug", False)]
