"""A pump whose runs are caught by chance, minutes apart, beside a charge: the charge tells what the pump used."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecaster.domain.forecast import Forecast
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Supply
from forecaster.domain.site import Pack
from forecaster.engine import Engine
from forecaster.engine.evidence import Drained, Healed, PumpSpan
from forecaster.engine.led import ChargeLed
from forecaster.engine.lifting import Lifting
from forecaster.engine.models import Models
from forecaster.engine.normals import Normals
from forecaster.engine.signs import Signs
from forecaster.engine.spans import Spans
from forecaster.pack.belief import PackBelief
from forecaster.pack.chargeline import GAUGE_NOISE_PERCENT
from forecaster.pack.stray import stray_between
from forecaster.segment import Segmenter
from tests.forecaster.cellar import HOUR, START, charges, in_order, mains, pumping, sampled, site

PUMP_W = 480.0 * 10.0 / 180.0
LOST_H, NOW_H = 6.0, 11.0
PACK = Pack(capacity_wh=512.0, continuous_w=900.0, inverter_efficiency=0.88, idle_w=9.0)
SITE = site(Quantity.PUMP_POWER, Quantity.PACK_CHARGE, Quantity.MAINS_PRESENT, pack=PACK)


def percent_per_h(pump_w: float) -> float:
    """How fast the pack of the site file falls under a pump's mean power [%/h]."""
    return 100.0 * (pump_w / 0.88 + 9.0) / 512.0


def told(pump_w: float, shift_s: float = 0.0) -> tuple[Engine, Forecast]:
    """Five hours into an outage: samples every 300 s of a pump that runs 10 s in 180, a charge of whole percents.

    pump_w : float — what the charge falls by; the samples are those of the usual pump whatever it is
    shift_s : float — when the first sample is taken: samples keep step with the pump, and catch much or nothing
    """
    points = [(0.0, 100.0), (LOST_H, 100.0), (NOW_H, 100.0 - 5.0 * percent_per_h(pump_w))]
    every = sampled(pumping(NOW_H), NOW_H, 5.0)
    plug = [one for one in every if (one.time_ms - START - round(shift_s * 1000.0)) % 300_000 == 0]
    engine = Engine(SITE)
    for item in in_order(plug, charges(NOW_H, points), mains(NOW_H, [(LOST_H, 99.0)])):
        engine.update(item)
    return engine, engine.forecast(START + round(NOW_H * HOUR))


@pytest.mark.parametrize("shift_s", [0.0, 60.0, 65.0, 150.0])
@pytest.mark.parametrize("more", [0.6, 1.0, 1.8])
def test_the_slope_of_the_charge_leads_whatever_the_samples_catch(shift_s: float, more: float) -> None:
    """The time left is that of the charge's own slope (proportion), and the pack is not blamed for what was missed."""
    engine, forecast = told(more * PUMP_W, shift_s)
    true_h = 90.0 / percent_per_h(more * PUMP_W) - (NOW_H - LOST_H)
    hours = forecast.hours_remaining
    assert hours.p50 == pytest.approx(true_h, rel=0.12)
    assert hours.p10 is not None
    assert hours.p90 is not None
    assert hours.p10 < true_h < hours.p90
    assert hours.p90 - hours.p10 < true_h
    assert forecast.draw is not None
    assert forecast.draw.pack_w == pytest.approx(9.0, abs=2.0)
    assert Engine.restore(SITE, engine.snapshot()).forecast(forecast.issued_at_ms) == forecast


def known() -> PackBelief:
    """A pack of 500 Wh, 0.8 efficiency, 10 W idle, whose gauge has shown steps of one percent."""
    belief = PackBelief(Pack(capacity_wh=500.0, inverter_efficiency=0.8, idle_w=10.0))
    belief.mean = belief.mean.copy()
    belief.mean[:3] = np.log([500.0, 1.25, 10.0])
    belief.step_percent, belief.step_seen = 1.0, True
    return belief


def drained(at_h: float, percent: float | None, lump_wh: float = 40.0, *, seldom: bool = True) -> Drained:
    return Drained(START + round(at_h * HOUR), percent, 0.0, at_h * 3600.0, 0.0, None, lump_wh, 0.0, seldom)


def test_what_left_the_battery_less_all_else_is_the_pump() -> None:
    """From 98 to 90 % in an hour: 40 Wh out, 10 of them idle, 30 / 1.25 = 24 Wh at the plug (by hand)."""
    led, belief = ChargeLed(), known()
    assert led.take(drained(0.0, 99.0), belief) is None
    assert led.take(drained(0.1, 99.0), belief) is None  # shown for how long nobody knows
    assert led.take(drained(0.2, 98.0), belief) is None
    assert led.take(drained(0.7, 97.2), belief) is None  # less than a step
    span = led.take(drained(1.2, 90.0), belief)
    assert span is not None
    assert (span.start_ms, span.stop_ms) == (START + round(0.2 * HOUR), START + round(1.2 * HOUR))
    assert span.energy_wh == pytest.approx(24.0)
    strays = np.hypot(2.0**0.5 * GAUGE_NOISE_PERCENT, stray_between(8.0))
    assert span.ends_wh == pytest.approx(5.0 * strays / 1.25)
    assert led.booked_wh(drained(1.7, None), 20.0) == pytest.approx(24.0 + 20.0 * 0.7)
    assert led.take(drained(1.8, 92.0), belief) is None  # it rose: counted anew from here
    later = led.take(drained(2.8, 87.0), belief)
    assert later is not None
    assert later.energy_wh == pytest.approx((25.0 - 10.0) / 1.25)


@pytest.mark.parametrize(
    ("lump_wh", "seldom", "leads"), [(0.0, True, False), (4.99, True, False), (5.01, True, True), (5.01, False, False)]
)
def test_it_leads_where_a_seldom_catch_is_more_than_a_step(lump_wh: float, seldom: bool, leads: bool) -> None:
    """A step is one percent of 500 Wh."""
    led = ChargeLed()
    led.take(drained(0.2, 98.0, lump_wh, seldom=seldom), known())
    assert led.leads is leads


def test_what_was_caught_counts_where_the_charge_has_told_nothing() -> None:
    led, belief = ChargeLed(), known()
    window = PumpSpan(START, START + HOUR, 40.0, lump_wh=40.0)
    for at_h, percent in ((0.4, 99.0), (0.5, 98.0)):
        led.take(drained(at_h, percent), belief)
    assert replace(led).admits(window)
    led.take(drained(0.9, 96.0), belief)
    assert not led.admits(window)
    assert led.admits(replace(window, lump_wh=0.0))
    later = replace(window, start_ms=START + HOUR, stop_ms=START + 2 * HOUR)
    assert led.admits(later)
    assert led.take(drained(1.9, 93.0), belief) is None  # of that time the caught samples have told
    assert led.take(drained(2.1, 92.0), belief) is None
    assert led.take(drained(2.3, 91.0), belief) is not None


@pytest.mark.parametrize(("every_s", "clump"), [(85.0, 1.0), (95.0, 4.0)])
def test_samples_more_than_a_minute_and_a_half_apart_catch_in_clumps(every_s: float, clump: float) -> None:
    segmenter, spans, found = Segmenter.of(SITE), Spans(), []
    for index in range(400):
        at_ms, watts = START + round(index * every_s * 1000.0), 480.0 if index % 9 == 0 else 0.0
        for run in segmenter.feed(at_ms, Quantity.PUMP_POWER, watts, Supply.MAINS):
            spans.run(run, segmenter.meter.blind_ms, 0.0, coarse=segmenter.coarse(run.stop_ms))
        span = spans.window(at_ms, segmenter) if at_ms >= spans.due_ms else None
        found += [] if span is None else [span.lump_wh]
    assert found
    assert found[-1] == pytest.approx(clump * 480.0 * every_s / 3600.0, rel=0.06)
    lifting = Lifting(segmenter, spans, Normals(), Signs())
    assert lifting.seldom(START + round(399 * every_s * 1000.0)) is (clump > 1.0)


def test_the_charge_of_the_pack_is_not_doubted_for_what_was_caught_before_it_led() -> None:
    """The first change comes before a step is known, and counts lumps; the sum that stays booked later counts none."""
    hours = told(PUMP_W)[1].hours_remaining
    assert hours.p10 is not None
    assert hours.p50 is not None
    assert hours.p90 is not None
    assert hours.p90 - hours.p10 < 0.45 * hours.p50


def test_late_samples_that_caught_the_pump_by_chance_tell_nothing_where_the_charge_leads() -> None:
    models, late = Models.of(SITE), Healed(((0.0, 0.0), (3600.0, 400.0)), 0.0, 40.0)
    models.hear([drained(0.1 * change, 99.0 - change) for change in range(12)])
    assert models.led.leads
    before = models.state()
    models.hear([late])
    assert models.state() == before
    models.led.leads = False
    models.hear([late])
    assert models.state() != before
