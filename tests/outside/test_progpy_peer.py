"""progpy as an independent forecaster: fed the same readings, it answers as its own arithmetic must, and is scored."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pytest

from api.cli import main
from forecaster.domain.forecast import LEVELS
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Pack, Pump, Site
from forecaster.domain.times import HOUR_MS
from forecaster.score.cases import Case

if TYPE_CHECKING:
    from api.commands.peer import Prognostic

SITE = Site(
    id="larkspur",
    name="Larkspur Lane cellar",
    timezone="America/Chicago",
    pump=Pump(rated_voltage_v=115.0, rated_power_w=500.0),
    pack=Pack(capacity_wh=1000.0, inverter_efficiency=0.9, idle_w=5.0, reserve_percent=10.0),
)


def newcomer() -> Prognostic:
    """The peer that knows the site alone. Its library takes a second and more to load: not at collection."""
    from api.commands.peer import Prognostic

    return Prognostic(Case("one", "power", SITE, 0, (), ()))


def told(charge: float, watts: list[float]) -> Prognostic:
    """The peer after two hours of a power that takes the given values in turn, a minute each."""
    peer = newcomer()
    power = [(t, watts[t // 60_000 % len(watts)]) for t in range(0, 2 * HOUR_MS, 10_000)]
    readings = [Reading("larkspur", Quantity.PUMP_POWER, t, w, t) for t, w in power]
    readings.append(Reading("larkspur", Quantity.PACK_CHARGE, 2 * HOUR_MS, charge, 2 * HOUR_MS))
    peer.take(readings)
    return peer


@pytest.mark.parametrize("watts", [[50.0], [500.0] + [0.0] * 9])
def test_constant_mean_load_is_plain_arithmetic(watts: list[float]) -> None:
    """500 Wh above the floor over 50 W at 90 % and 5 W of idle: 8.26 h."""
    said = told(60.0, watts).quantiles_h(2 * HOUR_MS)
    assert said is not None
    assert len(said) == len(LEVELS)
    assert np.all(np.diff(said) >= 0.0)
    assert said[3] == pytest.approx(500.0 / (50.0 / 0.9 + 5.0), rel=0.03)


def test_at_the_floor_nothing_is_left() -> None:
    assert told(9.0, [50.0]).quantiles_h(2 * HOUR_MS) == (0.0,) * 7


def test_without_power_there_is_no_answer() -> None:
    assert newcomer().quantiles_h(HOUR_MS) is None


@pytest.mark.slow
def test_peer_is_in_the_score(capsys: pytest.CaptureFixture[str]) -> None:
    from api.commands.peer import PEER

    words = [
        "score",
        "--episodes",
        "1",
        "--seed",
        "102",
        "--styles",
        "counter-only",
        "--peer",
        "--workers",
        "1",
        "--json",
    ]
    assert main(words) == 0
    headline = json.loads(capsys.readouterr().out)["headline"]
    assert headline[PEER]["forecasts"] == headline["outlast"]["forecasts"]
    assert headline[PEER]["over_oracle"] > 0.0
