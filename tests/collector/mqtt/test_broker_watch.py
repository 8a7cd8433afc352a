"""Listening for set-up on a real broker: on while somebody looks, over by itself, anew through another filter."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from collector.config.settings import Broker
from collector.mqtt import broker_watch
from collector.mqtt.broker_watch import BrokerWatch
from forecaster.domain.errors import SessionError
from tests.engines import free_port, wait_until
from tests.servers import Mosquitto, mosquitto

__all__ = ["mosquitto"]


def heard(watch: BrokerWatch) -> list[str]:
    return [topic.topic for topic in watch.topics()]


def test_it_listens_on_until_nobody_looks(mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> None:
    watch, broker = BrokerWatch(), Broker(url=mosquitto.url)
    watch.begin(broker, "cellar/#", 0.5)
    assert watch.listening

    def publish_until(topic: str, wanted: Callable[[], bool]) -> None:
        def said() -> bool:
            mosquitto.publish([(topic, b'{"power":5}')])
            return wanted()

        wait_until(said, topic)

    publish_until("cellar/plug", lambda: heard(watch) == ["cellar/plug"])
    watch.begin(broker, "cellar/#", 0.0)
    assert heard(watch) == ["cellar/plug"]  # what was heard before is kept
    watch.begin(broker, "attic/#", 0.5)
    assert heard(watch) == []
    publish_until("attic/plug", lambda: heard(watch) == ["attic/plug"])
    monkeypatch.setattr(broker_watch, "IDLE_S", 0.1)
    wait_until(lambda: not watch.listening, "the end by itself")
    assert heard(watch) == ["attic/plug"]
    monkeypatch.undo()
    watch.begin(broker, "attic/#", 0.1)
    assert watch.listening
    watch.close()
    assert not watch.listening


def test_a_broker_that_is_away_is_told_and_tried_anew() -> None:
    broker = Broker(url=f"mqtt://127.0.0.1:{free_port()}")
    watch = BrokerWatch()
    for _ in range(2):
        with pytest.raises(SessionError, match="no broker answers"):
            watch.begin(broker, "#", 30.0)
    watch.close()
