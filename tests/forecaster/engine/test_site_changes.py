"""What the owner changes in the site file resets or widens exactly the belief that it touches, and is said."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Load, Pit, Site
from forecaster.engine import Engine
from forecaster.pack.chargeline import CAPACITY, COST, IDLE, LOADS
from tests.forecaster.cellar import HOUR, START, charges, in_order, mains, pumping, sampled, site

SITE = site(Quantity.PUMP_POWER, Quantity.PACK_CHARGE, Quantity.MAINS_PRESENT, loads=(Load("router", 12.0),))
END_H = 12.0


@pytest.fixture(scope="module")
def learnt() -> bytes:
    """The state after an outage that showed a pack of 1.1 times its nameplate."""
    points = [(0.0, 100.0), (2.0, 100.0), (11.0, 54.0), (11.5, 56.0), (12.0, 58.0)]
    engine = Engine(SITE)
    items = in_order(sampled(pumping(END_H), END_H, 5.0), charges(END_H, points), mains(END_H, [(2.0, 11.0)]))
    for item in items:
        engine.update(item)
    return engine.snapshot()


def taken_up(learnt: bytes, at: Site) -> Engine:
    return Engine.restore(at, learnt)


def test_nothing_changed_nothing_begins_anew(learnt: bytes) -> None:
    engine = taken_up(learnt, SITE)
    assert engine.begun_anew == ()
    assert not [reason for reason in engine.forecast(START + round(END_H * HOUR)).degraded if "site file" in reason]


def test_half_the_pack_is_half_the_hours_at_once(learnt: bytes) -> None:
    at = replace(SITE, pack=replace(SITE.pack, capacity_wh=512.0))
    now = START + round(END_H * HOUR)
    engine, fresh = taken_up(learnt, at), Engine(at)
    assert engine.begun_anew == ("pack",)
    forecast, former = engine.forecast(now), taken_up(learnt, SITE).forecast(now)
    assert forecast.usable_wh is not None
    assert former.usable_wh is not None
    assert forecast.usable_wh == pytest.approx(512.0 * 0.94 * (forecast.charge_percent or 0.0) / 100.0, rel=0.25)
    assert forecast.usable_wh < 0.65 * former.usable_wh
    assert "pack changed in the site file: learnt anew" in forecast.degraded
    np.testing.assert_array_equal(engine._models.belief.mean, fresh._models.belief.mean)
    later = engine.forecast(now + 25 * HOUR)
    assert not [reason for reason in later.degraded if "site file" in reason]


@pytest.mark.parametrize(
    ("change", "part", "column"),
    [
        (lambda at: replace(at, pack=replace(at.pack, inverter_efficiency=0.7)), "losses", COST),
        (lambda at: replace(at, pack=replace(at.pack, idle_w=30.0)), "idle", IDLE),
        (lambda at: replace(at, loads=(Load("router", 12.0), Load("radio", 20.0))), "loads", LOADS),
    ],
)
def test_one_figure_of_the_pack_resets_itself_alone(
    learnt: bytes, change: Callable[[Site], Site], part: str, column: int
) -> None:
    at = change(SITE)
    engine, former, fresh = taken_up(learnt, at), taken_up(learnt, SITE), Engine(at)
    assert engine.begun_anew == (part,)
    belief, kept, plate = (one._models.belief for one in (engine, former, fresh))
    assert belief.mean[column] == plate.mean[column]
    assert belief.covariance[column, column] == plate.covariance[column, column]
    assert belief.mean[CAPACITY] == kept.mean[CAPACITY]
    assert np.linalg.eigvalsh(belief.covariance).min() > 0.0


def test_another_pump_forgets_the_runs_and_widens_the_water(learnt: bytes) -> None:
    at = replace(SITE, pump=replace(SITE.pump, rated_power_w=900.0))
    engine, former = taken_up(learnt, at), taken_up(learnt, SITE)
    assert engine.begun_anew == ("pump",)
    now = START + round(END_H * HOUR)
    wide, narrow = engine.status(now), former.status(now)
    assert narrow.running_w_normal is not None
    assert narrow.running_w_normal.count > 50
    assert wide.running_w_normal is None or wide.running_w_normal.count <= 1, "what was still held back"
    ranges = [one.forecast(now).hours_remaining for one in (engine, former)]
    widths = [(one.p90 or 0.0) / (one.p10 or 1.0) for one in ranges]
    assert widths[0] > widths[1]
    np.testing.assert_array_equal(engine._models.belief.mean, former._models.belief.mean)


def test_another_pit_forgets_how_long_a_run_is_and_nothing_else(learnt: bytes) -> None:
    at = replace(SITE, pit=Pit(area_m2=0.4, drawdown_m=0.1, freeboard_m=0.3))
    engine, former = taken_up(learnt, at), taken_up(learnt, SITE)
    assert engine.begun_anew == ("pit",)
    now = START + round(END_H * HOUR)
    seen = engine.status(now).run_s_normal
    assert seen is None or seen.count <= 1, "what was still held back"
    assert engine.forecast(now).hours_remaining.p50 == pytest.approx(former.forecast(now).hours_remaining.p50, rel=0.02)
    named = replace(SITE, name="Another name", pit=replace(SITE.pit, freeboard_m=0.5))
    assert taken_up(learnt, named).begun_anew == ()


def test_a_state_of_before_there_were_fingerprints_is_taken_up(learnt: bytes) -> None:
    old = json.loads(learnt)
    del old["fingerprint"], old["fold"]["begun_anew_ms"], old["fold"]["late_course"]
    old["models"]["belief"]["version"] = 1
    del old["models"]["belief"]["scale"]
    for name in ("flag", "flag_ms", "flips_ms", "agreed", "suspect_ms", "lately", "base_percent"):
        del old["fold"]["supply"][name]
    engine = taken_up(json.dumps(old).encode(), SITE)
    assert engine.begun_anew == ()
    now = START + round(END_H * HOUR)
    hours, as_kept = engine.forecast(now).hours_remaining, taken_up(learnt, SITE).forecast(now).hours_remaining
    assert hours.p50 == pytest.approx(as_kept.p50, rel=0.03)
    assert engine.status(now) == taken_up(learnt, SITE).status(now)
