"""Forecasts, alarms and runs on a real InfluxDB server, asked with the queries of the handbook."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from api.process.figures import FigureWriter
from api.process.services import Services
from collector.store.influx_figures import FigureStore
from collector.store.influx_server import InfluxServer, parse_address
from forecaster.twin.live import larkspur_site
from tests.api.process.houses import PATIENCE_S, house
from tests.bench.fleet import site_id, write_fleet
from tests.engines import ROOT, Influx, running_influx, wait_until
from tests.scenario import NOW_MS, services
from tests.servers import running_mosquitto

pytestmark = pytest.mark.timeout(600)

Rows = list[dict[str, object]]


@pytest.fixture(scope="module")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx]:
    with running_influx(tmp_path_factory.mktemp("influx")) as server:
        yield server


@pytest.fixture
def held(larkspur_folder: Path, tmp_path: Path) -> Iterator[Services]:
    shutil.copytree(larkspur_folder, tmp_path / "house")
    found = services(tmp_path / "house", {"larkspur": larkspur_site()})
    yield found
    found.close()


def server_of(influx: Influx, bucket: str) -> InfluxServer:
    return InfluxServer(parse_address(f"{influx.url}/{bucket}"), timeout_s=30)


def rows(influx: Influx, bucket: str, query: str) -> Rows:
    server = server_of(influx, bucket)
    try:
        return [{**table.tags, **row} for table in server.query(query) for row in table.rows]
    finally:
        server.close()


def handbook_queries() -> list[str]:
    """The queries under "Figures on a time-series server", as they stand there."""
    text = (ROOT / "deploy" / "handbook" / "settings.md").read_text().partition("## Figures on a time-series server")[2]
    return re.findall(r"^SELECT .+$", text.partition("\n## ")[0], flags=re.MULTILINE)


def test_what_the_ledger_knows_is_there_once(influx: Influx, held: Services) -> None:
    """In: three hours of an outage, looked at twice. Out: each forecast, alarm and run once."""
    writer = FigureWriter(held, FigureStore(server_of(influx, "once"), "once", 0))
    writer.once()
    writer.once()
    writer.stop()
    ledger, day_ms = held.ledger, 86_400_000
    forecasts = ledger.forecasts("larkspur", NOW_MS - day_ms, NOW_MS + 1)
    found = rows(influx, "once", "SELECT hours_p10, hours_p50, charge_percent, supply FROM forecast")
    assert [row["time"] for row in found] == [stored.issued_ms * 1000 for stored in forecasts]
    newest = msgspec.json.decode(forecasts[-1].document)
    assert found[-1]["hours_p50"] == newest["hours_remaining"]["p50"]
    assert (found[-1]["charge_percent"], found[-1]["supply"]) == (newest["charge_percent"], "pack")
    runs = ledger.runs("larkspur", NOW_MS - day_ms - 600_000, NOW_MS + 1, 5_000).runs
    assert len(rows(influx, "once", "SELECT seconds FROM run")) == len(runs) > 20
    alarms = {(alarm.kind.value, alarm.changed_ms * 1000) for alarm in ledger.alarms()}
    assert {
        (row["kind"], row["time"]) for row in rows(influx, "once", "SELECT open FROM alarm GROUP BY kind")
    } == alarms


def test_the_queries_of_the_handbook(influx: Influx, held: Services) -> None:
    """Each answers with rows of Larkspur Lane's night."""
    writer = FigureWriter(held, FigureStore(server_of(influx, "asked"), "asked", 0))
    writer.once()
    writer.stop()
    queries = handbook_queries()
    assert len(queries) == 3
    for query in queries:
        night = query.replace("now()", f"{NOW_MS + 1_000}ms")
        assert rows(influx, "asked", night), query


def test_a_whole_process_writes_them(influx: Influx, tmp_path: Path) -> None:
    """`outlast run` with its readings on the server, no setting more: forecasts stand beside them."""
    with running_mosquitto(tmp_path / "mosquitto") as broker, house(tmp_path / "house", broker) as made:
        made.write()
        write_fleet(made.folder, 1, broker.url, f"{influx.url}/whole")
        made.start(OUTLAST_HTTP__PORT=str(made.port))
        made.publish(50)
        asked = f"SELECT draw_w FROM forecast WHERE site = '{site_id(0)}'"
        wait_until(lambda: bool(rows(influx, "whole", asked)), "a forecast on the server", PATIENCE_S)
        made.stop()
        assert made.ended() == 0
