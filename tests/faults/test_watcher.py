"""Watched from outside: a second Outlast, fed over the bridge from the house's broker, when the house goes silent."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from api.process.parts import Part
from api.process.process import Process
from collector.clock import HeldClock
from collector.config.settings import load_installation
from collector.config.site_file import site_toml
from forecaster.domain.alarms import AlarmKind
from forecaster.domain.quantities import SPECS
from forecaster.domain.site import Channel, Contact
from tests.api.delivering import Receiver, listening
from tests.brokers import ShippedBroker
from tests.engines import wait_until
from tests.faults import test_bridge
from tests.faults.house import CELLAR, MEASURED, START_MS, Cellar, Condition
from tests.faults.test_bridge import OFFICE_PASSWORDS, PASSWORDS, connected, hearing
from tests.forecaster.evidence import HOUR

house, office = test_bridge.house, test_bridge.office
"""The brokers with the shipped files, and the line between them."""

LIMIT_S = 120.0
ROUNDING_MS = 100
"""Of an age in a forecast document, told to a tenth of a second [ms]."""
HEARD_H = 3.0
"""What the watcher has learnt of the house before the test begins [h]."""


def write_watcher(folder: Path, broker: ShippedBroker, webhook: str) -> Path:
    """An installation elsewhere: the office's broker, the house's topics as the line carries them, one contact."""
    (folder / "sites").mkdir(parents=True)
    (folder / "password").write_text(OFFICE_PASSWORDS["outlast"])
    (folder / "outlast.toml").write_text(
        f'[broker]\nurl = "mqtt://127.0.0.1:{broker.port}"\nusername = "outlast"\npassword_file = "password"\n'
    )
    channels = tuple(
        Channel(
            quantity,
            f"sites/larkspur/sensors/cellar/{quantity}",
            value="$.value",
            time="$.time",
            unit=SPECS[quantity].unit or None,
        )
        for quantity in MEASURED
    )
    contacts = (Contact(name="owner", webhook=webhook),)
    site = replace(CELLAR, channels=channels, contacts=contacts)
    (folder / "sites" / "larkspur.toml").write_text(site_toml(site))
    return folder


@dataclass
class Watcher:
    """The installation elsewhere at work, on a clock that the test moves; and the house as it was heard of so far."""

    process: Process
    clock: HeldClock
    receiver: Receiver
    cellar: Cellar

    def forecast(self) -> dict[str, Any]:
        """The newest forecast document."""
        stored = self.process.services.ledger.newest(["larkspur"]).get("larkspur")
        found: dict[str, Any] = {} if stored is None else json.loads(stored.document)
        return found

    def told(self) -> list[dict[str, Any]]:
        """What the contact was told, in order."""
        return [json.loads(item.body) for item in self.receiver.heard]

    def silence_stands(self) -> bool:
        """Whether the house's silence is an open alarm; its end is told where the outage leaves room for it."""
        alarms = self.process.services.ledger.alarms("larkspur")
        return any(alarm.kind is AlarmKind.TELEMETRY_SILENT and alarm.cleared_ms is None for alarm in alarms)

    def issued_ms(self) -> int:
        """When the newest forecast was made [UTC milliseconds]."""
        stored = self.process.services.ledger.newest(["larkspur"]).get("larkspur")
        return 0 if stored is None else stored.issued_ms

    def heard_of_ms(self) -> int:
        """How far the newest forecast has heard of the house [UTC milliseconds]."""
        age_s = self.forecast().get("data_age_s")
        return 0 if age_s is None else self.issued_ms() - round(age_s * 1000.0)

    def pass_until(self, true: Callable[[], bool], what: str, steps: int, step_s: float = 60.0) -> None:
        """Let time pass in steps until something is so."""
        for _ in range(steps):
            if true():
                return
            self.step(step_s)
        wait_until(true, what, LIMIT_S)

    def step(self, seconds: float) -> None:
        """Let time pass, until there is a forecast of it."""
        self.clock.advance(seconds)
        wait_until(lambda: self.issued_ms() >= self.clock.now_ms(), "a forecast of now", LIMIT_S)


@pytest.fixture
def watcher(tmp_path: Path, office: ShippedBroker) -> Iterator[Watcher]:
    with listening(Receiver()) as receiver:
        clock = HeldClock(START_MS + round(HEARD_H * HOUR))
        folder = write_watcher(tmp_path / "watcher", office, receiver.url)
        process = Process(load_installation(folder), frozenset({Part.COLLECT, Part.FORECAST}), clock)
        cellar = Cellar()
        cellar.run(HEARD_H, lambda _hours: Condition(inflow_l_per_min=8.0))
        process.services.store.append(cellar.readings)
        cellar.readings.clear()
        process.start()
        try:
            yield Watcher(process, clock, receiver, cellar)
        finally:
            process.close()


def say(broker: ShippedBroker, cellar: Cellar) -> None:
    """What the house's devices told since the last call, over the house's own broker."""
    with connected(broker, "cellar", PASSWORDS["cellar"], name="plugs") as plugs:
        sent = [
            plugs.publish(
                f"sensors/cellar/{reading.quantity}",
                json.dumps({"value": reading.value, "time": reading.time_ms}),
                qos=1,
            )
            for reading in cellar.readings
        ]
        for one in sent:
            one.wait_for_publish(60)
    cellar.readings.clear()


def live_a_minute(house: ShippedBroker, watcher: Watcher, condition: Condition) -> None:
    """A minute passes in the house, and the watcher has heard of it."""
    watcher.cellar.run(1.0 / 60.0, lambda _hours: condition)
    told_ms = max(reading.time_ms for reading in watcher.cellar.readings)
    watcher.clock.advance(60.0)
    say(house, watcher.cellar)

    def heard() -> bool:
        """A forecast made before the readings came stands for half a minute of the clock, so the clock goes on."""
        watcher.clock.advance(0.5)
        return watcher.heard_of_ms() >= told_ms - ROUNDING_MS

    wait_until(heard, "a forecast of this minute", LIMIT_S)


def wait_for_line(house: ShippedBroker, office: ShippedBroker) -> None:
    """Until the line carries again: what a house says before is lost with a broker that was cut off."""
    with hearing(office, "sites/larkspur/sensors/cellar/line") as heard, connected(house, "cellar", "plug") as plug:

        def carried() -> bool:
            plug.publish("sensors/cellar/line", "1", qos=1).wait_for_publish(10)
            return bool(heard)

        wait_until(carried, "the line", LIMIT_S)


def spread_h(document: dict[str, Any]) -> float:
    """Between the early and the late end [h]."""
    hours = document["hours_remaining"]
    return float(hours["p90"] - hours["p10"])


def test_a_house_that_goes_silent_on_the_pack_is_told_from_outside_with_its_projected_end(
    house: ShippedBroker, office: ShippedBroker, watcher: Watcher
) -> None:
    cellar, clock = watcher.cellar, watcher.clock
    dry = Condition(mains=False, inflow_l_per_min=8.0)
    for _ in range(8):
        live_a_minute(house, watcher, dry)
    wait_until(lambda: watcher.forecast().get("supply") == "pack", "word of the outage at the watcher", LIMIT_S)
    watcher.pass_until(lambda: any(t["kind"] == "mains-lost" for t in watcher.told()), "mains-lost", 3)
    assert watcher.forecast()["basis"] == "measured"

    assert [t["kind"] for t in watcher.told()] == ["mains-lost"]
    house.kill()  # the router went with it: not a word more
    watcher.pass_until(lambda: any(t["kind"] == "telemetry-silent" for t in watcher.told()), "telemetry-silent", 20)
    silent = next(t for t in watcher.told() if t["kind"] == "telemetry-silent")
    assert silent["priority"] == "high"
    assert "Projected to last until about" in silent["headline"]
    first = watcher.forecast()
    assert first["basis"] == "projected"
    assert first["supply"] == "pack"
    watcher.pass_until(lambda: watcher.forecast()["data_age_s"] > 7200.0, "two hours of silence", 15, 600.0)
    later = watcher.forecast()
    assert later["basis"] == "projected"
    assert spread_h(later) > spread_h(first), "wider with age"
    assert all(t["cleared"] is None for t in watcher.told())

    house.start()
    wait_for_line(house, office)
    cellar.run((clock.now_ms() - cellar.now_ms) / HOUR, lambda _hours: dry)
    say(house, cellar)
    for _ in range(5):
        live_a_minute(house, watcher, dry)
    wait_until(lambda: not watcher.silence_stands(), "the end of the silence", LIMIT_S)
    assert watcher.forecast()["supply"] == "pack"
    assert watcher.forecast()["basis"] == "measured"
