"""Of two pumps, pages say that the runs and the water that they list are those of the first one; a scale of moments
begins at one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from api.process.services import Services
from forecaster.domain.runs import Outage
from forecaster.domain.site import NamedPump, Pump
from forecaster.domain.times import HOUR_MS
from forecaster.texts.catalogue import languages, words
from tests.api.pagesample import client, forecast, heard, publish, site
from tests.scenario import NOW_MS, services

PAGES = ("", "/history", "/outages/latest")


def house(folder: Path, *, two: bool) -> Services:
    one = site()
    pumps = (NamedPump("main", one.pump), NamedPump("backup", Pump(115.0, rated_power_w=400.0), starts_above_m=0.1))
    made = services(folder, {"larkspur": replace(one, pumps=pumps if two else ())})
    publish(made, forecast())
    heard(made)
    made.ledger.record([Outage("larkspur", NOW_MS - 3 * HOUR_MS, None, False)])
    return made


@pytest.fixture
def pair(tmp_path: Path) -> Iterator[Services]:
    made = house(tmp_path, two=True)
    yield made
    made.close()


@pytest.mark.parametrize("code", languages())
def test_of_two_pumps_pages_say_whose_runs_they_list(pair: Services, code: str) -> None:
    said = words(code)("now.of_first", name="main")
    for path in PAGES:
        assert said in client(pair).get(f"/sites/larkspur{path}", headers={"accept-language": code}).text, path


def test_of_one_pump_there_is_nothing_to_say(tmp_path: Path) -> None:
    made = house(tmp_path, two=False)
    for path in PAGES:
        html = client(made).get(f"/sites/larkspur{path}").text
        assert words()("now.of_first", name="main")[:30] not in html, path
    made.close()
