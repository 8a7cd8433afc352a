"""A running embedded broker for the tests of this room."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from collector.mqtt.embedded import EmbeddedBroker
from tests.engines import free_port


@pytest.fixture
def broker() -> Iterator[EmbeddedBroker]:
    made = EmbeddedBroker("127.0.0.1", free_port())
    made.start()
    yield made
    made.stop()
