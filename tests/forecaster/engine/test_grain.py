"""How closely the pump's energy is known at one moment, that of a change of the charge, by what counts it.

An error that is even over a span has a standard deviation of the span over sqrt(12), and variances of independent
errors add up (JCGM 100:2008, 4.3.7 and 5.1.2).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Supply
from forecaster.domain.site import Pack
from forecaster.domain.times import HOUR_MS
from forecaster.engine.evidence import Drained
from forecaster.engine.lifting import WALK, Lifting
from forecaster.engine.models import Models
from forecaster.engine.normals import Normals
from forecaster.engine.signs import Signs
from forecaster.engine.spans import Spans
from forecaster.pack.belief import PackBelief
from forecaster.pack.chargeline import ChargeSteps, Row
from forecaster.segment import Segmenter
from tests.forecaster.cellar import START, site

SECOND, RUNNING_W = 1_000, 600.0


def lifting(*quantities: Quantity) -> Lifting:
    return Lifting(Segmenter.of(site(*quantities)), Spans(), Normals(), Signs())


def sampled(every_s: float, seed: int = 1, hours: float = 20.0) -> tuple[Lifting, list[float]]:
    """A pump of 35 s every three minutes or so, its power told every so often; and by how much the count of its energy
    was off at a moment in each run [Wh]."""
    rng = np.random.default_rng(seed)
    starts = np.cumsum(rng.normal(180.0, 9.0, int(hours * 20)))
    stops = starts + rng.normal(35.0, 1.0, starts.size)
    asked = rng.uniform(starts, stops)
    made, off, place = lifting(Quantity.PUMP_POWER), [], 0
    for beat in range(int(starts[-1] / every_s)):
        at_s = every_s * (beat + 0.03 * rng.uniform())
        while asked[place] < at_s:
            true_wh = (float((stops - starts)[:place].sum()) + asked[place] - starts[place]) * RUNNING_W / 3600.0
            off.append(made.segmenter.meter.total_wh - true_wh)
            place += 1
        on = starts[place] <= at_s < stops[place] or (place > 0 and starts[place - 1] <= at_s < stops[place - 1])
        made.segmenter.feed(START + round(at_s * SECOND), Quantity.PUMP_POWER, RUNNING_W * on, Supply.PACK)
    return made, off


@pytest.mark.parametrize("every_s", [5.0, 10.0, 20.0])
def test_a_count_of_samples_is_off_at_each_moment_by_its_grain(every_s: float) -> None:
    """Neighbours share what has gathered by then; what each is off by alone is half the variance of their differences,
    as far as these fall back at once (Allan, Proc. IEEE 54, 1966: white noise from differences).
    """
    made, off = sampled(every_s)
    differences = np.diff(off[20:])
    alone_wh = math.sqrt(-np.mean(differences[1:] * differences[:-1]))
    grain_wh = made.grain_wh(made.segmenter.trackers[Quantity.PUMP_POWER].rhythm.last_ms or 0)
    assert grain_wh == pytest.approx(math.sqrt(2.0) * RUNNING_W * every_s / 3600.0, rel=0.02)
    assert alone_wh == pytest.approx(grain_wh / math.sqrt(12.0), rel=0.3)


def test_what_runs_are_off_by_stays_in_the_sum() -> None:
    """Sampled every 10 s the sum over 30 runs strays by what `walk_wh` says, beyond what its two ends are off by."""
    gathered = []
    for seed in range(4):
        made, off = sampled(10.0, seed, hours=30.0)
        differences, apart = np.diff(off[60:]), np.array(off[90:]) - np.array(off[60:-30])
        ends_wh2 = -2.0 * np.mean(differences[1:] * differences[:-1])
        gathered.append((np.var(apart) - ends_wh2) / (30 * 35.0 * RUNNING_W / 3600.0))
    now_ms = made.segmenter.trackers[Quantity.PUMP_POWER].rhythm.last_ms or 0
    assert made.walk_wh(now_ms) == pytest.approx(WALK * RUNNING_W * 10.0 / 3600.0, rel=0.06)
    assert np.mean(gathered) == pytest.approx(made.walk_wh(now_ms), rel=0.4)


def test_reports_on_change_are_exact_and_what_is_not_heard_tells_nothing() -> None:
    made = lifting(Quantity.PUMP_POWER)
    assert made.grain_wh(START) == 0.0
    at_s = 0.0
    for run in range(40):
        at_s = 170.0 * run
        made.segmenter.feed(START + round(at_s * SECOND), Quantity.PUMP_POWER, RUNNING_W, Supply.PACK)
        at_s += 11.0 + 0.1 * (run % 7)
        made.segmenter.feed(START + round(at_s * SECOND), Quantity.PUMP_POWER, 0.0, Supply.PACK)
    assert made.grain_wh(START + round(at_s * SECOND)) == 0.0
    assert made.walk_wh(START + round(at_s * SECOND)) == 0.0


def test_a_counter_and_catches_by_chance_have_neither() -> None:
    """What a counter has not counted yet is no more than a step; of catches the lump says how far they stray."""
    made = lifting(Quantity.PUMP_ENERGY)
    for minute in range(40):
        made.segmenter.feed(START + 60 * SECOND * minute, Quantity.PUMP_ENERGY, 10.0 * (minute // 5), Supply.PACK)
    assert (made.grain_wh(START + 2_340 * SECOND), made.walk_wh(START + 2_340 * SECOND)) == (0.0, 0.0)
    coarse, _ = sampled(50.0)
    last_ms = coarse.segmenter.trackers[Quantity.PUMP_POWER].rhythm.last_ms or 0
    assert coarse.segmenter.lump_wh(last_ms) > 0.0
    assert (coarse.grain_wh(last_ms), coarse.walk_wh(last_ms)) == (0.0, 0.0)


def test_a_change_lies_within_the_grain_beside_what_was_drawn_between_the_readings() -> None:
    steps = ChargeSteps(100.0)
    steps.wait(Row(40.0, None, 1.0, 0.0, grain_wh=3.0))
    steps.change(Row(50.0, None, 1.5, 0.0, grain_wh=3.0), 100.0, 99.0, 1.0)
    steps.change(Row(90.0, None, 2.5, 0.0, grain_wh=3.0), 99.0, 96.0, 1.0)
    assert [width[0] for width in steps.widths] == [13.0, 3.0]
    assert [row[0] for row in steps.rows] == [45.0, 90.0]


@pytest.mark.parametrize(("lump_wh", "walk_wh"), [(2.5, 0.0), (0.0, 0.3)])
def test_the_pack_is_told_how_its_pump_is_counted(lump_wh: float, walk_wh: float) -> None:
    """A fall of a percent an hour, told at once: the lump, the walk and the grain reach the pack."""
    models = Models.of(site(Quantity.PUMP_POWER, Quantity.PACK_CHARGE))
    for hour in range(3):
        models.hear(
            [Drained(START, 100.0 - hour, 12.0 * hour, 3600.0 * hour, 0.0, None, lump_wh, 0.0, False, 1.5, walk_wh)]
        )
    assert models.belief.discharge is not None
    evidence = models.belief.discharge.evidence
    assert (evidence.lump_wh, evidence.walk_wh) == (lump_wh, walk_wh)
    assert [width[0] for width in evidence.widths] == [13.5, 13.5]
    evidence.keep_newest()
    assert (evidence.lump_wh, evidence.walk_wh, evidence.changes) == (0.0, 0.0, 1)


def test_a_count_that_strays_leaves_the_pack_less_known() -> None:
    """The same fall from full to 80 %, by an exact count and by one that strays: the drain a percent is less sure."""

    def spread(walk_wh: float) -> float:
        belief = PackBelief(Pack(capacity_wh=1000.0, idle_w=9.0, inverter_efficiency=0.9))
        for percent in range(100, 79, -1):
            hours = (100 - percent) / 10.0
            belief.observe(START + round(hours * HOUR_MS), percent, 80.0 * hours, 3600.0 * hours, walk_wh=walk_wh)
        pack = belief.draw(400, 1)
        return float(np.std(np.log(pack.capacity_wh * pack.efficiency)))

    assert spread(0.0) < spread(0.5) < spread(5.0)
