"""The client against the API on a real socket: what it gives is what the services hold."""

from __future__ import annotations

import csv
import io
import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from api.client import ApiClient, ClientError, client
from forecaster.domain.alarms import AlarmKind, AlarmState
from forecaster.domain.longrecord import RecordTable
from forecaster.domain.quantities import Quantity
from forecaster.twin.live import larkspur_site
from tests.api.serving import described
from tests.browser.serving import Served, serving
from tests.engines import ROOT
from tests.scenario import NOW_MS, services

NOW = datetime.fromtimestamp(NOW_MS / 1000.0, UTC)
DAY = timedelta(days=1)


@pytest.fixture(scope="module")
def served(larkspur_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("client") / "house"
    shutil.copytree(larkspur_folder, folder)
    held = services(folder, {"larkspur": larkspur_site()})
    described(folder)
    with serving(held) as running:
        yield running
    held.close()


@pytest.fixture
def outlast(served: Served) -> Iterator[ApiClient]:
    with ApiClient(served.url) as opened:
        yield opened


def test_a_house_on_the_pack(outlast: ApiClient) -> None:
    """Its place in the list, its channels, its forecast as the engine's own type, the chance of a later hour."""
    (line,) = outlast.sites()
    assert (line.id, line.highest_priority) == ("larkspur", "high")
    site = outlast.site("larkspur")
    assert {channel.quantity for channel in site.channels} >= {"pump_power", "pack_charge"}
    forecast = outlast.forecast("larkspur")
    hours = forecast.hours_remaining
    assert hours is not None
    assert hours.p10 is not None
    assert hours.p50 is not None
    assert 0.0 < hours.p10 < hours.p50
    early = outlast.chance("larkspur", NOW + timedelta(hours=hours.p10 / 2))
    late = outlast.chance("larkspur", NOW + timedelta(hours=hours.p50))
    assert early is not None
    assert late is not None
    assert early > 0.9 > 0.6 > late > 0.4


def test_lists_go_on_past_a_page(served: Served, outlast: ApiClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """In: pages of three. Out: every run and every alarm once, as the ledger has them."""
    monkeypatch.setattr(client, "PAGE", 3)
    cycles = list(outlast.cycles("larkspur", NOW - DAY, NOW + DAY))
    held = served.services.ledger.runs("larkspur", NOW_MS - 86_400_000, NOW_MS + 86_400_000, 5_000)
    assert len(cycles) == len(held.runs) > 9
    assert len({cycle.start for cycle in cycles}) == len(cycles)
    alarms = [alarm.id for alarm in outlast.alarms()]
    assert alarms == [alarm.id for alarm in served.services.ledger.alarms("larkspur")]
    standing = list(outlast.alarms("larkspur", kinds=[AlarmKind.MAINS_LOST], states=[AlarmState.UNACKNOWLEDGED]))
    assert [alarm.kind for alarm in standing] == [AlarmKind.MAINS_LOST]
    assert outlast.alarm(standing[0].id).headline == standing[0].headline


def test_the_record(outlast: ApiClient) -> None:
    """Readings that keep their extremes, the outage, past forecasts, and a table written out by a child process."""
    power = outlast.readings("larkspur", Quantity.PUMP_POWER, NOW - DAY, NOW, points=50)
    assert (power.unit, len(power.points) <= 50) == ("W", True)
    assert max(point.high or 0.0 for point in power.points) > 300.0
    (outage,) = outlast.outages("larkspur")
    assert outage.end is None
    story = outlast.outage("larkspur", outage.id)
    assert (story.outage.start, story.water.runs > 10) == (outage.start, True)
    assert len(outlast.forecasts("larkspur", NOW - DAY, NOW + DAY)) > 3
    table = b"".join(outlast.export("larkspur", RecordTable.RUNS, NOW - DAY, NOW + DAY)).decode()
    rows = list(csv.DictReader(io.StringIO(table)))
    assert len(rows) == len(list(outlast.cycles("larkspur", NOW - DAY, NOW + DAY)))


def test_requests_reach_the_ledger(served: Served, outlast: ApiClient) -> None:
    """Acknowledge, shelve, bring back: three requests in their order for the forecaster."""
    (alarm,) = outlast.alarms(kinds=[AlarmKind.MAINS_LOST])
    numbers = [outlast.acknowledge(alarm.id), outlast.shelve(alarm.id, 30), outlast.unshelve(alarm.id)]
    assert numbers == sorted(numbers)
    asked = [(kind, target) for _, kind, target, _, _ in served.services.ledger.requests(0)]
    assert asked[-3:] == [(kind, alarm.id) for kind in ("acknowledge", "shelve", "unshelve")]


def test_what_is_refused_says_why(served: Served, outlast: ApiClient) -> None:
    """An unknown site by the problem document, a stranger's page by its status, a time without zone at once."""
    with pytest.raises(ClientError, match=r"404 Not Found: .*elsewhere"):
        outlast.site("elsewhere")
    with ApiClient(f"{served.url}/nowhere") as lost, pytest.raises(ClientError) as refused:
        lost.site("larkspur")
    assert refused.value.status == 404
    with pytest.raises(ValueError, match="no time zone"):
        outlast.chance("larkspur", datetime(2026, 3, 3))


def test_the_example_of_the_handbook(served: Served, capsys: pytest.CaptureFixture[str]) -> None:
    """The code in deploy/handbook/http.md runs as it stands there, but for the address."""
    text = (ROOT / "deploy" / "handbook" / "http.md").read_text()
    code = text.partition("```python\n")[2].partition("```")[0]
    exec(code.replace("http://127.0.0.1:8642", served.url), {})
    name, event = capsys.readouterr().out.splitlines()
    assert re.fullmatch(r"Larkspur Lane cellar [0-9.]+ to [0-9.]+ h", name)
    assert event == "state"
