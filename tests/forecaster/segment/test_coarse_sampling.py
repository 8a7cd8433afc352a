"""Short runs seen by slow sampling: energy handed on without bias, and believed no more than its catches allow.

The share of samples that fall on a running pump is a binomial proportion: its energy has a standard deviation of
lump sqrt(n (1 - p)), n the catches expected, p run over interval (Cochran, Sampling Techniques, 3rd ed., sec. 3.2).
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Supply
from forecaster.domain.site import Chemistry, Pack, Pit, Pump
from forecaster.engine.evidence import PumpSpan
from forecaster.engine.spans import Spans
from forecaster.maths.noise import seeds_of
from forecaster.pack.belief import PackBelief
from forecaster.segment import Meter, Segmenter
from forecaster.water.inflow import Inflow

Array = NDArray[np.float64]

RUNNING_W = 600.0
START_MS = 1_790_000_000_000


def runs(seed: int, run_s: float, hours: float) -> tuple[Array, Array]:
    """Starts and stops of a pump's runs [s], about every 150 s, as float and inflow scatter them."""
    rng = np.random.default_rng(seed)
    gaps = rng.normal(150.0, 6.0, int(hours * 3600.0 / 150.0))
    lengths = rng.normal(run_s, 0.03 * run_s, gaps.size)
    starts = np.cumsum(gaps)
    return starts, starts + lengths


def windows(every_s: float, run_s: float, seed: int, hours: float) -> list[PumpSpan]:
    """What is handed on of samples of the power every so often, once the sampling is known to be coarse."""
    starts, stops = runs(seed, run_s, hours)
    times = np.arange(0.0, starts[-1], every_s)
    on = np.searchsorted(starts, times, side="right") > np.searchsorted(stops, times, side="right")
    segmenter = Segmenter(
        site="larkspur", prior_w=RUNNING_W, watts_per_ampere=120.0, pin_w=None, stated_ms={}, meter=Meter()
    )
    spans, told = Spans(), []
    for at_s, running in zip(times.tolist(), on.tolist(), strict=True):
        at_ms = START_MS + round(at_s * 1000.0)
        for run in segmenter.feed(at_ms, Quantity.PUMP_POWER, RUNNING_W if running else 0.0, Supply.MAINS):
            cycle = spans.run(run, segmenter.meter.blind_ms, 0.0, coarse=segmenter.coarse(run.stop_ms))
            told += [] if cycle is None else [cycle]
        if at_ms >= spans.due_ms:
            window = spans.window(at_ms, segmenter)
            told += [] if window is None else [window]
    return [span for span in told if span.lump_wh > 0.0]


@pytest.mark.parametrize("every_s", [10.0, 15.0, 20.0, 30.0, 60.0])
@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_a_days_energy_is_handed_on_without_bias(every_s: float, share: float) -> None:
    """Over a day the windows' energy is the true energy, to within what the catches allow."""
    run_s = share * every_s
    told = windows(every_s, run_s, seed=round(every_s), hours=24.0)
    starts, stops = runs(round(every_s), run_s, 24.0)
    edges = np.array([[(span.start_ms - START_MS) / 1e3, (span.stop_ms - START_MS) / 1e3] for span in told])
    within = ((starts[:, None] >= edges[:, 0]) & (starts[:, None] < edges[:, 1])).any(axis=1)
    true_wh = float((stops - starts)[within].sum()) * RUNNING_W / 3600.0
    lump_wh = RUNNING_W * every_s / 3600.0
    spread_wh = lump_wh * np.sqrt(true_wh / lump_wh * (1.0 - share))
    assert sum(span.stop_ms - span.start_ms for span in told) > 20 * 3_600_000
    assert all(span.lump_wh == pytest.approx(lump_wh, rel=0.06) for span in told)
    assert abs(sum(span.energy_wh for span in told) - true_wh) < 3.0 * spread_wh + 0.02 * true_wh


def test_windows_end_by_what_was_expected_not_by_a_catch() -> None:
    """The mean of windows is not above the truth, as it would be if each ended with a catch."""
    ratios = []
    for seed in range(12):
        told = windows(30.0, 8.0, seed, 12.0)
        hours = np.array([(span.stop_ms - span.start_ms) / 3.6e6 for span in told])
        ratios.append(np.mean([span.energy_wh for span in told] / hours) / (8.0 / 150.0 * RUNNING_W))
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.08)


def test_an_inflow_told_by_catches_keeps_its_level() -> None:
    """A steady 18 W seen as lumps of 6.5 Wh: windows without a catch are no proof of a dry pit."""
    held, middles = 0, []
    for seed in range(16):
        caught = np.random.default_rng(seed).poisson(18.0 * 0.5 / 6.5, 72)
        inflow = Inflow(Pump(rated_voltage_v=120.0, rated_power_w=780.0), Pit())
        for index, count in enumerate(caught.tolist()):
            start = START_MS + index * 1_800_000
            inflow.observe(start, start + 1_800_000, 6.5 * count, 6.5)
        now = inflow.mean_w(START_MS + caught.size * 1_800_000)
        middles.append(now.p50)
        held += now.p05 <= 18.0 <= now.p95
    assert np.mean(middles) == pytest.approx(18.0, rel=0.2)
    assert min(middles) > 7.0
    assert held >= 12


def discharge(seed: int, lump_wh: float) -> PackBelief:
    """560 Wh, 14 W idle, efficiency 0.945: a pack that carries a pump of 25 W falling to 12 W, sampled."""
    rng = np.random.default_rng(seed)
    pack = Pack(capacity_wh=585.0, chemistry=Chemistry.LITHIUM, inverter_efficiency=0.93, idle_w=18.0)
    belief = PackBelief(pack, running_w=780.0)
    belief.begin(START_MS, 100.0)
    used_wh = plug_wh = caught_wh = 0.0
    for step in range(12 * 120):
        power = 12.0 + 13.0 * np.exp(-step / 120.0 / 5.0)
        plug_wh += power / 120.0
        used_wh += (power / 0.945 + 14.0) / 120.0
        caught_wh += 6.5 * (rng.random() < power / 120.0 / 6.5)
        charge = round(100.0 * (1.0 - used_wh / 560.0))
        at_s = (step + 1) * 30.0
        shown = caught_wh if lump_wh > 0.0 else plug_wh
        belief.observe(START_MS + round(at_s * 1000.0), float(charge), shown, at_s, lump_wh=lump_wh)
    return belief


def test_a_pack_does_not_take_the_blame_for_runs_that_were_missed() -> None:
    """With lumps by chance the pack's own draw is found as with a meter, only less surely."""
    exact = discharge(0, 0.0).draw(400, seeds_of(1, 1)[0])
    idle = []
    for seed in range(8):
        drawn = discharge(seed, 6.5).draw(400, seeds_of(1, 1)[0])
        idle.append(float(np.median(drawn.idle_w)))
        assert np.median(drawn.capacity_wh) == pytest.approx(560.0, rel=0.12)
        assert np.std(drawn.idle_w) > 1.2 * np.std(exact.idle_w)
    assert np.mean(idle) == pytest.approx(14.0, abs=4.0)
    assert max(idle) < 24.0


def test_a_copy_of_each_message_changes_nothing() -> None:
    """In: runs of 10 s, sampled every 10 s, an inrush in some; each message again 3 ms later, as by two filters.

    A run that one sample caught is told from energy. With its copy it was taken for measured, and of 2.4 times the
    energy where the sample fell into the inrush, so that a storm seemed to begin.
    """

    def told(copies: int) -> list[tuple[bool, float | None]]:
        segmenter = Segmenter(
            site="larkspur", prior_w=RUNNING_W, watts_per_ampere=120.0, pin_w=None, stated_ms={}, meter=Meter()
        )
        found: list[tuple[bool, float | None]] = []
        starts, stops = runs(3, 10.0, 12.0)
        for k in range(4_000):
            begun = int(np.searchsorted(starts, 10.0 * k, side="right")) - 1
            since_s = 10.0 * k - starts[begun] if begun >= 0 else np.inf
            watts = 0.0 if begun < 0 or 10.0 * k >= stops[begun] else RUNNING_W * (2.4 if since_s < 0.4 else 1.0)
            for copy in range(copies):
                at_ms = START_MS + 10_000 * k + 3 * copy
                ended = segmenter.feed(at_ms, Quantity.PUMP_POWER, float(watts), Supply.MAINS)
                found += [(segmenter.coarse(at_ms), run.energy_wh) for run in ended]
        return found

    assert told(2) == told(1)
    assert any(coarse for coarse, _ in told(1))
