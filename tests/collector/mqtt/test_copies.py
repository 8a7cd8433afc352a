"""One copy of a message that several of our filters take, from a real broker; and by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from collector.config.settings import load_installation, site_toml
from collector.mqtt.copies import Copies
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Channel
from forecaster.twin.live import larkspur_site
from tests.collector.examples import installation_in
from tests.collector.test_collector import house
from tests.servers import Mosquitto, eventually, mosquitto

__all__ = ["mosquitto"]


def test_ten_millimetres_are_ten_for_each_of_two_sites(tmp_path: Path, mosquitto: Mosquitto) -> None:
    folder = installation_in(tmp_path, mosquitto.url)
    for name, topic in (("orchard", "rain/#"), ("meadow", "rain/+/depth")):
        channels = (Channel(Quantity.PUMP_POWER, f"{name}/power"), Channel(Quantity.RAIN_DEPTH, topic, unit="mm"))
        site = replace(larkspur_site(name), channels=channels)
        (folder / "sites" / f"{name}.toml").write_text(site_toml(site), encoding="utf-8")
    assert {"orchard", "meadow"} <= load_installation(folder).sites.keys()
    with house(tmp_path, mosquitto.url) as made:
        mosquitto.publish([("rain/gauge/depth", b"1")] * 10 + [("orchard/power", b"7")])
        eventually(lambda: made.store.latest("orchard").get((Quantity.PUMP_POWER, "")) is not None, "the last message")
        for name in ("orchard", "meadow"):
            points = made.store.series(name, Quantity.RAIN_DEPTH, 0, 2**53)
            assert sum(point.mean * point.count for point in points) == 10.0


def test_copies_are_told_from_messages_sent_anew() -> None:
    copies = Copies()
    sent = [
        (b"1", [1]),
        (b"1", [2]),
        (b"1", [1]),
        (b"1", [2]),
        (b"2", [2]),
        (b"2", [1]),
        (b"1", [1, 2]),
        (b"1", [1, 2]),
    ]
    told = [copies.is_copy("rain", payload, numbers) for payload, numbers in sent]
    assert told == [False, True, False, True, False, True, False, False]
    assert not copies.is_copy("rain", b"1", ())
