"""What the tests of deliveries share: a real ledger, a clock that a test moves, a broker, and couriers that run."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from api.deliver.courier import Carrier, Courier
from forecaster.domain.ports import Ledger
from tests.api.delivering import Begin, SteppedClock, courier, ledger_in
from tests.api.mosquitto import Mosquitto


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    made = ledger_in(tmp_path)
    yield made
    made.close()


@pytest.fixture
def clock() -> SteppedClock:
    return SteppedClock()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path)
    made.start()
    yield made
    made.stop()


@pytest.fixture
def begin(ledger: Ledger, clock: SteppedClock) -> Iterator[Begin]:
    """Starts the courier of a carrier; all of them end with the test."""
    running: list[Courier] = []

    def start(carrier: Carrier) -> Courier:
        one = courier(carrier, ledger, clock)
        one.start()
        running.append(one)
        return one

    yield start
    for one in running:
        one.stop()
