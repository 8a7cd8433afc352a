"""The HTTP interface: every route, every error a problem document, nothing that is not JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.http.answers import json_response, outage_out
from api.http.app import create_app, create_probes
from api.offline.reporting import report_of
from api.process.services import Services
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading, SeriesPoint
from forecaster.domain.records import StoredForecast
from forecaster.domain.times import DAY_MS
from forecaster.engine import Engine
from forecaster.engine.document import document as document_of
from forecaster.engine.document import time_ms, time_text
from forecaster.twin.live import larkspur_site
from tests.api.serving import serving
from tests.scenario import NOW_MS, services

SITE = "/api/v1/sites/larkspur"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[TestClient, Services]]:
    with serving(tmp_path_factory.mktemp("installation")) as both:
        yield both


@pytest.fixture
def client(served: tuple[TestClient, Services]) -> TestClient:
    return served[0]


def ask(client: TestClient, path: str, **query: Any) -> Any:
    answer = client.get(path, params=query)
    assert answer.status_code == 200, answer.text
    return json.loads(answer.text, parse_constant=_never)


def _never(word: str) -> None:
    raise AssertionError(f"{word} is not JSON")


def test_sites_soonest_out_first(client: TestClient) -> None:
    (line,) = ask(client, "/api/v1/sites")["sites"]
    assert line["id"] == "larkspur"
    assert line["forecast"]["supply"] == "pack"
    assert line["open_alarms"] >= 1
    assert line["highest_priority"] in {"medium", "high", "critical"}


def test_applications_side_by_side_answer_for_their_own_houses(client: TestClient, tmp_path: Path) -> None:
    """They share what their routes look like, and nothing else; the probes of a process share not even the routes."""
    bare = services(tmp_path, {"birch": replace(larkspur_site(), id="birch")})
    other, probes = (TestClient(make(bare), base_url=str(client.base_url)) for make in (create_app, create_probes))
    for asked, houses in ((other, ["birch"]), (client, ["larkspur"]), (other, ["birch"])):
        assert [line["id"] for line in ask(asked, "/api/v1/sites")["sites"]] == houses
    assert (probes.get("/livez").status_code, probes.get("/api/v1/sites").status_code) == (200, 404)
    bare.close()


def test_a_site_with_its_channels(client: TestClient) -> None:
    site = ask(client, SITE)
    assert site["pack"]["capacity_wh"] == 1024.0
    charge = next(c for c in site["channels"] if c["quantity"] == "pack_charge")
    assert 0.0 < charge["value"] < 100.0
    assert 0.0 <= charge["age_s"] < 120.0
    assert "contacts" not in site


def test_forecast_as_published(client: TestClient) -> None:
    document = ask(client, f"{SITE}/forecast")
    levels = [document["hours_remaining"][p] for p in ("p05", "p10", "p25", "p50", "p75", "p90", "p95")]
    assert levels == sorted(levels)
    assert document["issued_at"].endswith("Z")


def test_until_is_read_off_the_survival_curve(client: TestClient) -> None:
    document = ask(client, f"{SITE}/forecast")
    for point in document["survival"]:
        until = ask(client, f"{SITE}/forecast", until=point["at"])["until"]
        assert until["at"] == point["at"]
        assert until["probability"] == pytest.approx(point["probability"])
    before = ask(client, f"{SITE}/forecast", until="2026-03-03T00:00:00Z")["until"]
    assert before["probability"] == 1.0
    median_ms = time_ms(document["issued_at"]) + round(document["hours_remaining"]["p50"] * 3_600_000)
    assert ask(client, f"{SITE}/forecast", until=time_text(median_ms))["until"]["probability"] == pytest.approx(
        0.5, abs=0.1
    )
    assert document["survival"][-1]["probability"] == 0.0
    assert ask(client, f"{SITE}/forecast", until="2027-03-03T00:00:00Z")["until"]["probability"] == 0.0


def test_until_is_nought_once_the_floor_is_reached(tmp_path: Path) -> None:
    """Five minutes after the pack stood at its floor, six hours and a year on: 0, not null and not 0.92."""
    with serving(tmp_path, outage=False) as (client, held):
        site = held.installation.sites["larkspur"]
        engine = Engine(site, seed=1)
        for quantity, value in ((Quantity.MAINS_PRESENT, 0.0), (Quantity.PACK_CHARGE, site.pack.reserve_percent - 3.0)):
            engine.update(Reading("larkspur", quantity, NOW_MS, value, NOW_MS))
        reached = engine.forecast(NOW_MS + 1000)
        text = json.dumps(document_of(reached))
        held.ledger.publish([StoredForecast("larkspur", reached.issued_at_ms, text)])
        for later_ms in (1_000, 300_000, 6 * 3_600_000, 365 * 86_400_000):
            until = ask(client, f"{SITE}/forecast", until=time_text(NOW_MS + later_ms))["until"]
            assert until["probability"] == 0.0, later_ms
        page = client.get(f"/sites/larkspur?until={time_text(NOW_MS + 3 * 3_600_000)}").text
        assert "less than 1 in 100" in page


def test_past_forecasts(client: TestClient) -> None:
    found = ask(client, f"{SITE}/forecasts", **{"from": time_text(NOW_MS - 7_200_000)})["forecasts"]
    times = [f["issued_at"] for f in found]
    assert len(times) >= 2
    assert times == sorted(times)


def test_cycles_page_by_page(client: TestClient) -> None:
    whole = ask(client, f"{SITE}/cycles", limit=1_000)
    assert whole["cursor"] is None
    paged: list[Any] = []
    cursor = None
    while True:
        query = {"limit": 7} | ({"cursor": cursor} if cursor else {})
        page = ask(client, f"{SITE}/cycles", **query)
        paged += page["cycles"]
        cursor = page["cursor"]
        if cursor is None:
            break
    assert paged == whole["cycles"]
    assert len(paged) > 20
    assert [c["start"] for c in paged] == sorted((c["start"] for c in paged), reverse=True)


def test_readings_keep_their_peaks(client: TestClient) -> None:
    series = ask(client, f"{SITE}/readings", quantity="pump_power", points=50)
    assert series["unit"] == "W"
    assert len(series["points"]) <= 50
    assert max(p["high"] for p in series["points"]) > 400.0
    assert all(p["low"] <= p["mean"] <= p["high"] for p in series["points"])


def test_outages(client: TestClient) -> None:
    (outage, *_) = ask(client, f"{SITE}/outages")["outages"]
    assert outage["end"] is None


def test_an_outage_that_lasts_is_told_as_it_is_so_far(served: tuple[TestClient, Services]) -> None:
    """The same in the list, in its story and in the report; its charge is the least that the pack has told of it."""
    client, held = served
    (outage, *_) = ask(client, f"{SITE}/outages")["outages"]
    charge = ask(client, f"{SITE}/readings", quantity="pack_charge", **{"from": outage["start"]}, points=1)["points"]
    assert outage["lowest_charge_percent"] == charge[0]["low"] < outage["start_charge_percent"]
    assert outage["forecast_h"] is not None
    assert ask(client, f"{SITE}/outages/latest")["outage"] == outage
    reported = report_of(held.store, held.ledger, held.site("larkspur"), NOW_MS - 30 * DAY_MS, NOW_MS + 1)
    assert [json_response(outage_out(one)).body for one in reported.outages] == [json_response(outage).body]


def test_alarms_are_listed_and_asked_about(served: tuple[TestClient, Services]) -> None:
    client, services = served
    (alarm, *_) = ask(client, f"{SITE}/alarms", state="unacknowledged")["alarms"]
    answer = client.post(f"/api/v1/alarms/{alarm['id']}/acknowledge")
    assert answer.status_code == 202
    answer = client.post(f"/api/v1/alarms/{alarm['id']}/shelve", json={"minutes": 30})
    assert answer.status_code == 202
    assert client.post(f"/api/v1/alarms/{alarm['id']}/unshelve").status_code == 202
    asked = services.ledger.requests(0)
    assert [(kind, target) for _, kind, target, _, _ in asked] == [
        ("acknowledge", alarm["id"]),
        ("shelve", alarm["id"]),
        ("unshelve", alarm["id"]),
    ]
    assert json.loads(asked[1][3])["until_ms"] == NOW_MS + 30 * 60_000


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/api/v1/nothing", 404),
        ("GET", "/api/v1/sites/elsewhere", 404),
        ("GET", "/api/v1/sites/elsewhere/forecast", 404),
        ("GET", "/api/v1/sites/Larkspur!", 422),
        ("DELETE", "/api/v1/sites", 405),
        ("GET", f"{SITE}/readings", 422),
        ("GET", f"{SITE}/readings?quantity=steam", 422),
        ("GET", f"{SITE}/readings?quantity=pump_power&points=0", 422),
        ("GET", f"{SITE}/readings?quantity=pump_power&from=2026-03-03T00:00:00", 422),
        ("GET", f"{SITE}/cycles?from=2026-03-03T00:00:00Z&to=2026-03-02T00:00:00Z", 422),
        ("GET", f"{SITE}/forecast?until=soon", 422),
        ("POST", "/api/v1/alarms/larkspur:mains-lost:1/acknowledge", 404),
        ("POST", "/api/v1/alarms/larkspur:mains-lost:1/shelve", 422),
        ("POST", "/api/v1/alarms/larkspur:mains-lost:1/unshelve", 404),
        ("GET", "/api/v1/stream?site=elsewhere", 404),
    ],
)
def test_every_error_is_a_problem_document(client: TestClient, method: str, path: str, status: int) -> None:
    """RFC 9457 section 3.1: type, title, status, detail."""
    answer = client.request(method, path)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert problem["status"] == status
    assert problem["type"] == "about:blank"
    assert problem["title"]


def test_a_number_that_is_none_leaves_as_null(
    served: tuple[TestClient, Services], monkeypatch: pytest.MonkeyPatch
) -> None:
    client, services = served

    def series(*_: object) -> list[SeriesPoint]:
        return [SeriesPoint(NOW_MS, 1, math.nan, math.inf, -math.inf)]

    monkeypatch.setattr(services.store, "series", series, raising=False)
    (point,) = ask(client, f"{SITE}/readings", quantity="pump_power")["points"]
    assert (point["low"], point["high"], point["mean"]) == (None, None, None)


def test_the_inside_never_shows(served: tuple[TestClient, Services], monkeypatch: pytest.MonkeyPatch) -> None:
    client, services = served

    def broken(*_: object) -> None:
        raise ZeroDivisionError("the inside")

    monkeypatch.setattr(services.store, "latest", broken, raising=False)
    answer = client.get(SITE)
    assert answer.status_code == 500
    assert "inside" not in answer.text
    assert answer.headers["content-type"] == "application/problem+json"


def test_a_store_that_is_away_is_503_and_not_ready(
    served: tuple[TestClient, Services], monkeypatch: pytest.MonkeyPatch
) -> None:
    client, services = served

    def away(*_: object) -> None:
        raise StoreUnavailable("the disk sleeps")

    monkeypatch.setattr(services.store, "latest", away, raising=False)
    answer = client.get(SITE)
    assert answer.status_code == 503
    assert answer.headers["retry-after"]


def test_health_tells_of_an_old_forecast(tmp_path: Path) -> None:
    with serving(tmp_path, outage=False) as (client, services):
        assert client.get("/healthz").json()["status"] == "ok"
        assert client.get("/readyz").status_code == 200
        services.ledger.publish([StoredForecast("larkspur", NOW_MS - 3_600_000, "{}")])
        answer = client.get("/healthz")
        assert answer.status_code == 503
        assert answer.json()["forecast_age_s"] == 3600.0
        assert "is the forecaster running" in answer.json()["says"][0]


def test_openapi_describes_every_route_of_the_interface(client: TestClient) -> None:
    paths = client.get("/openapi.json").json()["paths"]
    assert {
        "/api/v1/sites", "/api/v1/sites/{site}", "/api/v1/sites/{site}/forecast", "/api/v1/sites/{site}/forecasts",
        "/api/v1/sites/{site}/cycles", "/api/v1/sites/{site}/readings", "/api/v1/sites/{site}/outages",
        "/api/v1/sites/{site}/alarms", "/api/v1/sites/{site}/discharge-tests", "/api/v1/sizing", "/api/v1/stream",
        "/api/v1/alarms/{id}/acknowledge", "/api/v1/alarms/{id}/shelve", "/healthz", "/readyz", "/metrics",
    } <= set(paths)  # fmt: skip


def test_every_quantity_can_be_asked_for(client: TestClient) -> None:
    for quantity in Quantity:
        assert ask(client, f"{SITE}/readings", quantity=quantity.value)["quantity"] == quantity.value
