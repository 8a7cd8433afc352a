"""What would help, at the end of a rehearsal: from its measured numbers, each with the arithmetic beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecaster.discharge import DischargeEvidence, analyse
from forecaster.discharge.evidence import held_mean
from forecaster.discharge.helps import loads_each_w, more_on_the_pack
from forecaster.domain.discharge import DischargeResult
from forecaster.domain.helps import Help
from forecaster.domain.site import Load
from forecaster.domain.times import HOUR_MS
from forecaster.sizing.options import CHARGE_LOSSES
from tests.forecaster.discharge.test_discharge import PACK, PUMP, SITE, run_at, steady

LIFT = replace(PUMP, static_head_m=2.6, maximum_head_m=6.5)
LOADED = replace(
    SITE, pump=LIFT, pack=replace(PACK, charge_w=500.0),
    loads=(Load("router", 12.0), Load("freezer", 100.0, 2.0, 360.0), Load("oxygen", 20.0, essential=True)),
)  # fmt: skip


def with_output(evidence: DischargeEvidence, watts: float) -> DischargeEvidence:
    """The output between runs, read once a minute, besides 480 W while the pump runs."""
    times = range(30_000, evidence.end_ms, 60_000)
    on = [(run.start_ms, run.stop_ms) for run in evidence.runs]
    read = [(t, watts + 480.0 * any(a <= t <= b for a, b in on)) for t in times]
    return replace(evidence, output_w=tuple(read))


def of(result: DischargeResult, words: str) -> Help:
    (found,) = [one for one in result.helps if words in one.what]
    return found


def test_each_help_is_the_measured_drain_without_it() -> None:
    """480 W for 10 s every 180 s are 26.7 W at the plug; 40 W besides; by the analysis's own capacity and losses."""
    evidence = with_output(replace(steady(8, 7.5), site=LOADED), 40.0)
    result = analyse(evidence)
    assert result.capacity_wh is not None
    assert result.inverter_efficiency is not None
    assert result.idle_w is not None
    pump_w, efficiency, idle_w = 480 * 10 / 180, result.inverter_efficiency[1], result.idle_w[1]
    drain = (pump_w + 40.0) / efficiency + idle_w
    assert result.draw_wh_per_h[1] == pytest.approx(drain, rel=0.01)
    now = of(result, "router").hours_95
    assert now is not None
    now -= of(result, "router").gained_h or 0.0
    low, middle, _ = result.hours_full_to_reserve
    assert middle * (low / middle) ** 2 < now < low  # further down than the 10 % point

    def after(pump: float = pump_w, loads: float = 40.0) -> float:
        return now * drain / ((pump + loads) / efficiency + idle_w)

    assert of(result, "one more pack").hours_95 == pytest.approx(2 * now)
    assert of(result, "one more pack").wh == pytest.approx(result.capacity_wh[1], rel=0.01)  # measured, not 1024
    # 12 and 100 x 2 x 360 / 3600 = 20 W are listed, and 20 W that stay on: all at less than the 40 W measured.
    factor = 40.0 / 52.0
    assert of(result, "router").hours_95 == pytest.approx(after(loads=40 - 12 * factor), rel=0.01)
    assert of(result, "freezer").wh == pytest.approx(20 * factor)
    assert not [one for one in result.helps if "oxygen" in one.what]
    # H = Hmax (1 - q²): at 2.6 of 6.5 m q is 0.7746, at 2.1 m 0.8228, so that a run is 0.9414 as long.
    head = of(result, "less lift")
    assert head.hours_95 == pytest.approx(after(pump=pump_w * 0.9414), rel=0.01)
    assert head.wh == pytest.approx(pump_w * (1 - 0.9414), rel=0.01)
    generator = of(result, "generator")
    stored = CHARGE_LOSSES * 500 * 0.5
    assert generator.wh == pytest.approx(stored)
    assert generator.gained_h == pytest.approx(0.5 + stored / drain, rel=0.05)
    assert f"for 30 min after {now - 0.5:.3g} h" in generator.what


def test_what_no_listed_load_explains_is_told() -> None:
    result = analyse(with_output(steady(8, 7.5), 25.0))
    rest = of(result, "what else hangs on the pack")
    assert rest.wh == pytest.approx(25.0, rel=0.02)
    assert rest.gained_h is not None
    assert rest.gained_h > 1.0
    assert not [one for one in analyse(with_output(steady(8, 7.5), 1.0)).helps if "hangs" in one.what]


def test_a_load_measured_by_itself_goes_by_its_own_meter() -> None:
    evidence = replace(with_output(replace(steady(8, 7.5), site=LOADED), 60.0), each_load_w=(("router", 30.0),))
    assert loads_each_w(evidence, 60.0) == pytest.approx({"router": 30.0, "freezer": 15.0, "oxygen": 15.0})
    assert of(analyse(evidence), "router").wh == pytest.approx(30.0)


def test_readings_hold_until_the_next() -> None:
    assert held_mean([(0, 100.0), (1000, 10.0)], 10_000) == pytest.approx(19.0)
    assert held_mean([(5, 3.0)], 5) == pytest.approx(3.0)


@pytest.mark.parametrize(("more", "told"), [(1.06, True), (1.0, False), (0.95, False), (1.01, False)])
def test_a_cord_is_named_where_runs_take_more_on_the_pack(more: float, told: bool) -> None:
    """Forty runs before, on the mains, each strayed by 3 %."""
    rng = np.random.default_rng(9)
    before = tuple(
        run_at(-180.0 * k, watts=480 / more * float(np.exp(0.03 * rng.standard_normal()))) for k in range(1, 41)
    )
    evidence = replace(steady(6, 6.0), before=tuple(reversed(before)))
    found = more_on_the_pack(evidence)
    assert (found is not None) is told
    names = [one.what for one in analyse(evidence).helps if "cord" in one.what]
    assert bool(names) is told
    if found is not None:
        assert found == pytest.approx(more - 1, abs=0.015)


def test_nothing_is_promised_without_the_numbers() -> None:
    """No lift and no charging power on the plate, no output measured: a pack and the generator's own half hour."""
    for evidence in (steady(6, 6.0), DischargeEvidence(SITE, 0, HOUR_MS)):
        pack, generator = analyse(evidence).helps
        assert "one more pack" in pack.what
        assert "not counted without charge_w" in generator.what
        assert generator.gained_h == pytest.approx(0.5, abs=0.01)
        assert generator.wh == 0.0
