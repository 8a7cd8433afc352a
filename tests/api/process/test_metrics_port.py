"""`--metrics-port`: a process that serves no API says by itself whether it lives, and what it has done."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from api.process.process import bound
from tests.api.process.houses import PATIENCE_S, House, house
from tests.engines import wait_until
from tests.servers import running_mosquitto

pytestmark = pytest.mark.timeout(600)


@pytest.fixture
def one(tmp_path: Path) -> Iterator[House]:
    with running_mosquitto(tmp_path / "mosquitto") as broker, house(tmp_path / "house", broker) as made:
        made.write()
        yield made


def ports(one: House) -> tuple[str, ...]:
    return ("--metrics-port", str(one.port))


@pytest.mark.parametrize(
    ("command", "counts"),
    [("collect", "outlast_readings_stored"), ("forecast", "outlast_forecaster_forecasts")],
)
def test_a_worker_answers_for_itself(one: House, command: str, counts: str) -> None:
    """Live, with its own counts through the reference parser; neither pages nor figures of the sites."""
    one.process = one.spawn(command, options=ports(one))
    wait_until(lambda: one.status("/livez") == 200 or one.ended() is not None, command, PATIENCE_S)
    assert one.ended() is None, one.log.read_text()
    scraped = one.get("/metrics")
    assert scraped is not None
    names = {family.name for family in text_string_to_metric_families(scraped.text)}
    assert {counts, "outlast_build", "outlast_store_up", "process_resident_memory_bytes"} <= names
    assert not {"outlast_forecast_age_seconds", "outlast_pack_charge_ratio", "outlast_alarms"} & names
    assert [one.status(path) for path in ("/", "/api/v1/sites")] == [404, 404]
    one.stop()
    assert one.ended() == 0


def test_a_port_that_is_taken_is_one_line(one: House) -> None:
    """In: a port on which another listens. Out: exit 2, and the option named."""
    with socket.create_server(("127.0.0.1", one.port)):
        one.process = one.spawn("forecast", options=ports(one))
        assert one.process.wait(PATIENCE_S) == 2
    (line,) = one.log.read_text().splitlines()
    assert line.startswith(f"outlast forecast: --metrics-port: 127.0.0.1:{one.port} ")


def test_what_is_sent_does_not_wait_for_the_other_side() -> None:
    """Head and body leave in two parts: without this the second waits for the acknowledgement of the first, which the
    other side delays (RFC 896; RFC 9293 section 3.7.4 asks for a way to turn that off)."""
    with closing(bound("127.0.0.1", 0, "here")) as door, socket.create_connection(door.getsockname()):
        taken, _ = door.accept()
        with taken:
            assert taken.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0
