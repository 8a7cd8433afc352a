"""The metrics, read by parsers that others wrote: OpenMetrics 1.0 (prometheus_client) and Debian's promtool."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from prometheus_client.metrics_core import Metric as Family
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from starlette.testclient import TestClient

from api.http.app import create_app
from api.process.services import Services
from collector.config.settings import Http
from forecaster.twin.live import larkspur_site
from tests.api.serving import LOOPBACK
from tests.scenario import services

PROMETHEUS = "text/plain;version=0.0.4"


@pytest.fixture(scope="module")
def held(larkspur_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Services]:
    folder = tmp_path_factory.mktemp("metrics") / "house"
    shutil.copytree(larkspur_folder, folder)
    found = services(folder, {"larkspur": larkspur_site()})
    yield found
    found.close()


def families(held: Services, path: str = "/metrics") -> dict[str, Family]:
    with TestClient(create_app(held), base_url=LOOPBACK) as client:
        answer = client.get(path)
    assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    return {family.name: family for family in text_string_to_metric_families(answer.text)}


def values(family: Family) -> dict[tuple[str, ...], float]:
    return {tuple(v for k, v in sample.labels.items() if k != "site"): sample.value for sample in family.samples}


def test_a_house_on_the_pack(held: Services) -> None:
    """Three hours into an outage: its hours under the old and the new name, its supply, its alarms, its start."""
    found = families(held)
    hours, seconds = values(found["outlast_hours_remaining"]), values(found["outlast_time_remaining_seconds"])
    assert seconds == {level: pytest.approx(h * 3600.0) for level, h in hours.items()}
    assert values(found["outlast_supply"]) == {("mains",): 0.0, ("pack",): 1.0}
    assert sum(values(found["outlast_forecast_basis"]).values()) == 1.0
    (outage,) = held.ledger.outages("larkspur", limit=1)
    assert values(found["outlast_outage_start_timestamp_seconds"]) == {(): outage.start_ms / 1000.0}
    standing = {alarm.kind.value for alarm in held.ledger.alarms("larkspur") if alarm.cleared_ms is None}
    assert {kind for kind, _, _ in values(found["outlast_alarms"])} == standing
    assert found["outlast_build"].type == "info"
    assert "process_resident_memory_bytes" in found
    assert values(found["outlast_data_age_seconds"])[()] >= 0.0


def test_units_stand_at_the_end_and_counters_rise(held: Services) -> None:
    for name, family in families(held).items():
        assert family.type in {"gauge", "counter", "info"}, name
        assert family.documentation, name
        assert all(sample.value == sample.value for sample in family.samples), name
        told = next((unit for unit in ("seconds", "bytes", "ratio") if name.endswith(f"_{unit}")), "")
        assert family.unit == told or name.startswith("process_"), name  # process_: the reference library's own


def test_gauges_of_sites_can_be_left_out(held: Services) -> None:
    held.installation = replace(held.installation, http=Http(site_metrics=False))
    try:
        found = families(held)
    finally:
        held.installation = replace(held.installation, http=Http())
    assert "outlast_hours_remaining" not in found
    assert "outlast_store_up" in found
    assert not any("site" in sample.labels for family in found.values() for sample in family.samples)
    assert sum(values(found["outlast_alarms"]).values()) > 0
    assert values(found["outlast_sites"]) == {("yes",): 1.0, ("no",): 0.0}
    assert values(found["outlast_oldest_forecast_age_seconds"])[()] >= 0.0


def test_without_gauges_of_sites_the_answer_is_as_long_for_a_thousand_as_for_one(held: Services) -> None:
    known = held.installation
    many = {f"s{n}": replace(larkspur_site(), id=f"s{n}") for n in range(1_000)}
    lines = []
    for sites in (known.sites, known.sites | many):
        held.installation = replace(known, sites=sites, http=Http(site_metrics=False))
        try:
            found = families(held)
        finally:
            held.installation = known
        lines.append(sum(len(family.samples) for family in found.values()))
    assert lines[0] == lines[1]


def test_prometheus_takes_the_text_format(held: Services) -> None:
    """`promtool check metrics` without a word, as Debian ships it."""
    with TestClient(create_app(held), base_url=LOOPBACK) as client:
        answer = client.get("/metrics", headers={"Accept": PROMETHEUS})
    assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
    checked = subprocess.run(["promtool", "check", "metrics"], input=answer.content, capture_output=True, check=False)
    assert (checked.returncode, checked.stdout, checked.stderr) == (0, b"", b"")


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        ("*/*", "application/openmetrics-text"),
        (PROMETHEUS, "text/plain"),
        ("application/openmetrics-text;version=1.0.0,text/plain;version=0.0.4;q=0.5", "application/openmetrics-text"),
        ("text/plain;q=0.5,*/*;q=0.1", "application/openmetrics-text"),
    ],
)
def test_the_format_is_negotiated(held: Services, accept: str, kind: str) -> None:
    with TestClient(create_app(held), base_url=LOOPBACK) as client:
        assert client.get("/metrics", headers={"Accept": accept}).headers["content-type"].startswith(kind)
