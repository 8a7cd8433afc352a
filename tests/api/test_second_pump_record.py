"""The second pump's own record: its runs and days, and the health of its parts, told by its name."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from api.cli import main
from api.process.services import Services
from collector.config.site_file import site_toml
from forecaster.alarms import AlarmManager, Outside
from forecaster.domain.alarms import AlarmKind
from forecaster.domain.longrecord import HousePart, WorkKind
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Gap, Run, Supply
from forecaster.domain.site import Channel, NamedPump, Pump, Site
from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.engine.core import Engine
from forecaster.engine.document import time_text
from forecaster.health.studying import study_health
from forecaster.health.told import HEALTH, parts_told
from forecaster.live.working import tell_work
from forecaster.maths.arrays import Array
from forecaster.record.daily import fresh_days
from forecaster.trip.gathering import gather
from forecaster.twin.live import larkspur_site
from tests.api.pagesample import Tags, client
from tests.forecaster.evidence import forecast, hours, status
from tests.forecaster.health.world import START_MS, Sampling, Truth, record
from tests.scenario import HeldClock, services

DAYS = 365
NOW_MS = START_MS + DAYS * DAY_MS
BACKUP = NamedPump("backup", Pump(115.0, rated_power_w=400.0), starts_above_m=0.1)


def two_pumps() -> Site:
    one = larkspur_site()
    own = Channel(Quantity.PUMP_POWER, "cellar/backup", "$.power", "W", of="backup")
    return replace(one, pumps=(NamedPump("main", one.pump), BACKUP), channels=(*one.channels, own))


@pytest.fixture
def held(tmp_path: Path) -> Iterator[Services]:
    (tmp_path / "outlast.toml").write_text("", encoding="utf-8")
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "larkspur.toml").write_text(site_toml(two_pumps()), encoding="utf-8")
    made = services(tmp_path, {"larkspur": two_pumps()}, clock=HeldClock(NOW_MS))
    yield made
    made.close()


def worn(a_month: float, day: Array) -> Array:
    """What is left of the flow on each day."""
    return 1.0 - a_month * day / 30.4


def lived(held: Services, *, second: float = 0.0, first: float = 0.0) -> None:
    """A year of both pumps, in which each loses so much of its flow a month; studied."""
    for pump, loss, seed in (("", first, 5), ("backup", second, 6)):
        truth = replace(Truth(), flow=partial(worn, loss))
        days = record(truth, Sampling.ON_CHANGE, DAYS, np.random.default_rng(seed))
        held.ledger.save_days([replace(day, pump=pump) for day in days])
    study_health(two_pumps(), held.ledger, NOW_MS)


def parts(held: Services, capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    main(("health", "larkspur", "--json", "--config", str(held.installation.folder)))
    found: list[dict[str, Any]] = json.loads(capsys.readouterr().out)["parts"]
    return found


def test_only_the_second_pump_wears_and_only_it_is_told(held: Services, capsys: pytest.CaptureFixture[str]) -> None:
    """A site-year in which the second loses 1.5 % of its flow a month, and the first none."""
    lived(held, second=0.015)
    found = parts(held, capsys)
    worn = [(part["pump"], part["part"]) for part in found if part["state"] in ("watch", "act")]
    assert worn == [("backup", "pump-flow")]
    assert [part["part"] for part in found[:8]] == [part.value for part in HousePart]
    assert {part.get("pump") for part in found[:5]} == {"main"}
    assert all("pump" not in part for part in found[5:8])
    assert [(part["pump"], part["baseline"]["unit"]) for part in found if part["part"] == "pump-flow"] == [
        ("main", "L/min"), ("backup", "%"),
    ]  # fmt: skip
    assert {part["state"] for part in found} == {"good", "watch", "unknown"}, "and exit 1 is for what needs action"
    assert main(("health", "larkspur", "--config", str(held.installation.folder))) == 0
    assert "Pump backup: the pump's flow: " in capsys.readouterr().out
    page = Tags(client(held).get("/sites/larkspur/health", {"accept-language": "es"}).text).text
    assert "Bomba backup: " in page
    assert "Bomba main: " in page


@pytest.mark.parametrize(("code", "names"), [("en", "Pump backup: "), ("es", "Bomba backup: ")])
def test_the_alarm_names_the_pump_and_a_trip_goes_by_the_first(held: Services, code: str, names: str) -> None:
    lived(held, second=0.015)
    told = parts_told(held.ledger.study("larkspur", HEALTH))
    manager, raised = AlarmManager(replace(two_pumps(), language=code)), []
    for hour in range(72):
        at_ms = NOW_MS + hour * HOUR_MS
        seen = status(at_ms, last_test_ms=NOW_MS)
        raised += manager.step(seen, forecast(at_ms, hours(40.0)), at_ms, Outside(parts=told))
    (wears,) = [change.alarm for change in raised if change.alarm.kind is AlarmKind.WEAR_AHEAD]
    assert names in wears.headline
    assert gather(two_pumps(), held.ledger, NOW_MS).house.pump_wear == 1.0


def test_work_on_one_pump_leaves_the_other_ones_baseline(held: Services, capsys: pytest.CaptureFixture[str]) -> None:
    lived(held, second=0.015)
    at_ms = NOW_MS - 60 * DAY_MS
    tell_work(held.ledger, two_pumps(), "owner", NOW_MS, WorkKind.CLEANED, at_ms)
    study_health(two_pumps(), held.ledger, NOW_MS)
    flows = {part["pump"]: part for part in parts(held, capsys) if part["part"] == "pump-flow"}
    assert flows["main"]["baseline"]["since"] > flows["backup"]["baseline"]["since"]
    assert flows["backup"]["state"] in ("watch", "act")
    folder = str(held.installation.folder)
    assert main(("work", "add", "larkspur", "cleaned", "--pump", "backup", "--json", "--config", folder)) == 0
    assert json.loads(capsys.readouterr().out)["pump"] == "backup"
    assert main(("work", "add", "larkspur", "cleaned", "--pump", "third", "--config", folder)) == 2
    assert "third" in capsys.readouterr().err
    html = client(held).get("/sites/larkspur/health").text
    assert '<select name="pump"><option>main</option><option>backup</option></select>' in html


def test_the_engine_tells_each_pumps_runs_and_gaps() -> None:
    """Twenty runs of 10 s of each, the second ones 40 s later, read once a second but for an hour of silence."""
    engine, found = Engine(two_pumps()), []
    for second in range(2001):
        at_ms = START_MS + 1000 * (second + (3600 if second >= 1000 else 0))
        for pump, offset_s in (("", 0), ("backup", 40)):
            watts = 480.0 if 10 <= second % 100 - offset_s < 20 else 0.0
            engine.update(Reading("larkspur", Quantity.PUMP_POWER, at_ms, watts, at_ms, pump))
        found += engine.events()
    runs, gaps = ([one for one in found if isinstance(one, kind)] for kind in (Run, Gap))
    counts = [sum(run.pump == pump for run in runs) for pump in ("", "backup")]
    assert counts[0] == counts[1] >= 19
    assert sorted(gap.pump for gap in gaps) == ["", "backup"]


def test_runs_of_the_second_pump_are_kept_as_its_own(held: Services) -> None:
    """Through the store and the daily table: starts in the same second, and gaps of its own."""
    ledger = held.ledger
    run = Run("larkspur", START_MS, START_MS + 10_000, 1.3, 480.0, 490.0, Quantity.PUMP_POWER, Supply.MAINS, 10)
    each = [replace(run, start_ms=START_MS + k * HOUR_MS, stop_ms=START_MS + k * HOUR_MS + 10_000) for k in range(30)]
    ledger.record([*each, *(replace(one, pump="backup", energy_wh=2.0) for one in each[:7])])
    ledger.record([Gap("larkspur", Quantity.PUMP_POWER, START_MS, START_MS + HOUR_MS, "backup")])
    end_ms = START_MS + 40 * HOUR_MS
    assert len(ledger.runs("larkspur", 0, end_ms, 100).runs) == 30
    own = ledger.runs("larkspur", 0, end_ms, 100, pump="backup").runs
    assert [one.pump for one in own] == ["backup"] * 7
    assert sum(total.count for total in ledger.run_totals("larkspur", 0, end_ms, 10, "backup")) == 7
    assert ledger.gaps("larkspur", 0, end_ms) == []
    assert len(ledger.gaps("larkspur", 0, end_ms, "backup")) == 1
    days = fresh_days(two_pumps(), held.store, ledger, START_MS + 3 * DAY_MS)
    counted = {pump: sum(day.runs for day in days if day.pump == pump) for pump in ("", "backup")}
    assert counted == {"": 30, "backup": 7}
    first, second = ([day for day in days if day.pump == pump] for pump in ("", "backup"))
    assert sum(day.cycles for day in second) == 0, "the first lifted part of that water"
    assert sum(day.cycles for day in first) == 30 - 1 - 6
    ledger.save_days(days)
    assert [day.pump for day in ledger.days("larkspur", 0, end_ms)] == [""] * (len(days) // 2)
    assert {day.pump for day in ledger.days("larkspur", 0, end_ms, "backup")} == {"backup"}
    cycles = "/api/v1/sites/larkspur/cycles?from=2020-01-01T00:00:00Z&to=2040-01-01T00:00:00Z"
    assert len(client(held).get(cycles).json()["cycles"]) == 30
    assert len(client(held).get(f"{cycles}&pump=main").json()["cycles"]) == 30
    assert len(client(held).get(f"{cycles}&pump=backup").json()["cycles"]) == 7
    assert client(held).get(f"{cycles}&pump=third").status_code == 422


def test_history_and_export_tell_each_pump(held: Services, capsys: pytest.CaptureFixture[str]) -> None:
    at_ms = NOW_MS - 2 * HOUR_MS
    run = Run("larkspur", at_ms, at_ms + 10_000, 1.3, 480.0, 490.0, Quantity.PUMP_POWER, Supply.MAINS, 10)
    held.ledger.record([run, replace(run, pump="backup", stop_ms=at_ms + 33_000)])
    page = Tags(client(held).get("/sites/larkspur/history").text).text
    assert "Pump backup: " in page
    assert "33 s" in page
    since, until = time_text(at_ms - 30 * DAY_MS), time_text(NOW_MS)
    asked = ("export", "larkspur", "--what", "runs", "--from", since, "--to", until)
    assert main((*asked, "--config", str(held.installation.folder))) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [(row["pump"], float(row["run_s"])) for row in rows] == [("", 10.0), ("backup", 33.0)]
