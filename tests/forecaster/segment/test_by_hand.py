"""Levels, trackers, counters and the choice of a source, over the edges of what they do; the arithmetic beside it."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Run, Supply
from forecaster.domain.site import Arrangement, Channel, Pack, Pump, Site
from forecaster.segment import Rhythm
from forecaster.segment.counter import CounterRuns, CounterStep, EnergyCounter
from forecaster.segment.hearing import Hearing
from forecaster.segment.levels import Levels
from forecaster.segment.segmenter import Segmenter
from forecaster.segment.sizes import RunSize
from forecaster.segment.tracker import Draft, Tracker

SITE = Site("larkspur", "Larkspur Lane", "UTC", Pump(rated_power_w=400.0), Pack(1000, continuous_w=1000.0))
MAINS, PACK = Supply.MAINS, Supply.PACK


def test_thresholds_lie_between_the_levels() -> None:
    """Before a run was seen one at a quarter; then on at 40 % and off at 25 %; of a shared output 55 and 45 %."""
    fresh = Levels(running_w=400.0)
    assert (fresh.on_w, fresh.off_w, fresh.learnt) == (100.0, 100.0, False)
    known = Levels(running_w=400.0, running_count=1, idle_w=10.0)
    assert (known.on_w, known.off_w) == (170.0, 110.0)
    shared = Levels(running_w=400.0, idle_w=50.0, shared=True)
    assert (shared.on_w, shared.off_w) == (270.0, 230.0)
    assert Levels(running_w=400.0, running_count=3).learnt


def test_the_running_level_is_the_mean_of_the_first_and_then_follows() -> None:
    levels = Levels(running_w=400.0)
    for watts in (500.0, 520.0, 480.0):
        levels.running(watts)
    assert levels.running_w == pytest.approx(500.0)
    levels.running(900.0)
    assert levels.running_w == pytest.approx(600.0), "a quarter, as one of four"
    levels.running(1200.0)
    assert levels.running_w == pytest.approx(612.0), "from the fifth on no further than a tenth at once: a fifth of 60"
    steady = Levels(running_w=400.0, running_count=99)
    steady.running(440.0)
    assert steady.running_w == pytest.approx(402.0), "a twentieth"
    steady.running(0.0)
    assert steady.running_w == pytest.approx(402.0 + 0.05 * (402.0 / 1.1 - 402.0))
    weak = Levels(running_w=400.0)
    weak.running(3.0)
    assert weak.running_w == 15.0, "no pump draws less"


def test_a_shared_level_stays_near_the_nameplate() -> None:
    levels = Levels(running_w=400.0, shared=True)
    levels.running(2000.0)
    assert levels.running_w == pytest.approx(640.0)
    low = Levels(running_w=400.0, shared=True)
    low.running(20.0)
    assert low.running_w == pytest.approx(250.0)


@pytest.mark.parametrize(("shared", "gain"), [(False, 0.02), (True, 0.2)])
def test_the_idle_level_follows(shared: bool, gain: float) -> None:
    levels = Levels(running_w=400.0, shared=shared, running_count=9)
    levels.idle(4.0)
    assert levels.idle_w == 4.0, "the first is taken"
    levels.idle(8.0)
    assert levels.idle_w == pytest.approx(6.0)
    old = Levels(running_w=400.0, shared=shared, running_count=9, idle_count=50, idle_w=4.0)
    old.idle(14.0)
    assert old.idle_w == pytest.approx(4.0 + 10.0 * gain)


def tracker(**facts: object) -> Tracker:
    made = Tracker(Rhythm(), Levels(running_w=400.0))
    for name, value in facts.items():
        setattr(made, name, value)
    return made


def test_a_sampled_run_has_its_edges_in_the_middle_between_samples() -> None:
    """Samples each 2 s, 400 W from 10 to 18 s: from 9 to 19 s; 8 s at 400 W and two more until the next sample."""
    source = tracker()
    drafts = [source.feed(1000 * s, w, w) for s, w in ((s, 400.0 if 10 <= s < 20 else 0.0) for s in range(0, 30, 2))]
    [run] = [draft for draft in drafts if draft is not None]
    assert (run.start_ms, run.stop_ms, run.samples) == (9_000, 19_000, 5)
    assert run.energy_wh == pytest.approx(400.0 * 10 / 3600)
    assert (run.power_w, run.peak_w) == (400.0, 400.0)
    assert (run.start_censored, run.stop_censored, run.gapped) == (False, False, False)
    taken_wh, blind_ms = source.take_energy()
    assert taken_wh == pytest.approx(400.0 * 10 / 3600)
    assert blind_ms == 0
    assert source.take_energy() == (0.0, 0)


def test_the_inrush_is_no_part_of_a_runs_power() -> None:
    """Of 1200, 400 and 420 W the first is left out; of two samples the mean of both."""
    source = tracker()
    values = [0.0, 1200.0, 400.0, 420.0, 0.0]
    [run] = [d for d in (source.feed(1000 * n, w, w) for n, w in enumerate(values)) if d is not None]
    assert (run.power_w, run.peak_w) == (410.0, 1200.0)
    two = tracker()
    [short] = [d for d in (two.feed(1000 * n, w, w) for n, w in enumerate([0.0, 500.0, 400.0, 0.0])) if d is not None]
    assert short.power_w == 450.0


def test_a_gap_ends_a_run_at_its_last_sample_and_is_blind() -> None:
    source = tracker()
    for second in range(0, 10):
        source.feed(1000 * second, 0.0, 0.0)
    source.feed(10_000, 400.0, 400.0)
    source.feed(11_000, 400.0, 400.0)
    run = source.feed(11_000 + 180_001, 0.0, 0.0)
    assert run is not None
    assert (run.stop_ms, run.stop_censored, run.gapped) == (11_000, True, True)
    taken_wh, blind_ms = source.take_energy()
    assert taken_wh == pytest.approx(400.0 / 3600)
    assert blind_ms == 180_001
    assert source.blind_over(0, 11_001)
    assert not source.blind_over(0, 11_000)
    assert source.blind_over(191_000, 999_000)
    assert not source.blind_over(191_001, 999_000)
    assert not tracker().blind_over(0, 1)


def test_a_shared_output_counts_what_the_pump_takes_beyond_the_rest() -> None:
    """50 W of other loads: 450 W are 400 W of pump, and between runs nothing."""
    source = Tracker(Rhythm(), Levels(running_w=400.0, idle_w=50.0, idle_count=99, shared=True), shared=True)
    values = [50.0, 450.0, 450.0, 450.0, 50.0, 50.0]
    [run] = [d for d in (source.feed(1000 * n, w, w) for n, w in enumerate(values)) if d is not None]
    assert run.power_w == pytest.approx(400.0)
    assert run.energy_wh == pytest.approx(3 * 400.0 / 3600)
    assert source.take_energy()[0] == pytest.approx(3 * 400.0 / 3600)


def test_a_yes_no_has_no_power() -> None:
    source = Tracker(Rhythm(), Levels(running_w=400.0, on_w=0.5, off_w=0.5), yes_no=True)
    values = [0.0, 1.0, 1.0, 0.0]
    [run] = [d for d in (source.feed(1000 * n, v, 400.0 * v) for n, v in enumerate(values)) if d is not None]
    assert (run.energy_wh, run.power_w, run.peak_w) == (None, None, None)
    assert source.take_energy()[0] == pytest.approx(2 * 400.0 / 3600)


def test_how_long_a_run_lasts_and_what_it_used_so_far() -> None:
    source = tracker()
    source.feed(0, 0.0, 0.0)
    assert source.lasts(5_000) == (5_000, 0.0)
    source.feed(1_000, 400.0, 400.0)
    source.feed(2_000, 400.0, 400.0)
    until_ms, used_wh = source.lasts(5_000)
    assert until_ms == 2_000
    assert used_wh == pytest.approx(400.0 / 3600)
    source.rhythm.off_beat = 0.5  # reports on change hold
    until_ms, used_wh = source.lasts(5_000)
    assert until_ms == 5_000
    assert used_wh == pytest.approx(4 * 400.0 / 3600)


def test_the_share_of_runs_that_were_not_seen_well() -> None:
    """The first counts for half, the second for a third; from the twenty-fourth on a twenty-fifth."""
    source = tracker()
    source.told(False)
    assert source.coarse == pytest.approx(0.5)
    source.told(True)
    assert source.coarse == pytest.approx(0.5 * 2 / 3)
    old = tracker(judged=99, coarse=0.5)
    old.told(False)
    assert old.coarse == pytest.approx(0.52)


def test_a_run_was_seen_give_or_take_an_interval() -> None:
    """Sampled each second: the bucket's end is 1024 ms."""
    source = tracker()
    for n, watts in enumerate([0.0] * 10 + [400.0] * 3 + [0.0] * 3):
        source.feed(1000 * n, watts, watts)
    assert (source.last_start_ms, source.last_stop_ms) == (9_500, 12_500)
    assert source.saw(12_500 + 1_024, 20_000)
    assert not source.saw(12_500 + 1_025, 20_000)
    assert source.saw(0, 9_500 - 1_024)
    assert not source.saw(0, 9_500 - 1_025)
    assert not tracker().saw(0, 1)


def test_samples_at_the_rating_are_counted() -> None:
    source = tracker(pin_low_w=970.0, pin_high_w=1020.0)
    values = [0.0, 969.0, 970.0, 1020.0, 1021.0, 0.0]
    [run] = [d for d in (source.feed(1000 * n, w, w) for n, w in enumerate(values)) if d is not None]
    assert run.pinned == 2


def counter(**facts: object) -> EnergyCounter:
    made = EnergyCounter(Rhythm(), greatest_w=1000.0)
    for name, value in facts.items():
        setattr(made, name, value)
    return made


@pytest.mark.parametrize(
    ("rise_wh", "minutes", "step"),
    [(18.6, 1, CounterStep.COUNTED), (18.7, 1, CounterStep.JUMPED), (1001.9, 60, CounterStep.COUNTED),
     (1002.1, 60, CounterStep.JUMPED)],
)  # fmt: skip
def test_a_counter_rises_by_the_greatest_power_and_two_steps_at_most(
    rise_wh: float, minutes: int, step: CounterStep
) -> None:
    """1000 W for a minute are 16.67 Wh, and twice a step of 1 Wh."""
    source = counter(resolution_wh=1.0)
    source.feed(0, 100.0)
    source.feed(60_000 * minutes, 100.0 + rise_wh)
    assert source.step is step


@pytest.mark.parametrize(("back_wh", "step"), [(0.049, CounterStep.JITTER), (0.06, CounterStep.JUMPED)])
def test_a_little_back_is_jitter(back_wh: float, step: CounterStep) -> None:
    source = counter(resolution_wh=0.01)
    source.feed(0, 5000.0)
    assert source.feed(1_000, 5000.0 - back_wh) == (1_000, 0.0 if step is CounterStep.JITTER else None)
    assert source.step is step
    coarse = counter(resolution_wh=10.0)
    coarse.feed(0, 5000.0)
    coarse.feed(1_000, 4980.0)
    assert coarse.step is CounterStep.JITTER, "two steps of 10 Wh"


def test_the_resolution_is_the_smallest_step() -> None:
    source = counter()
    for minute, value in enumerate((0.0, 5.0, 7.0, 12.0)):
        source.feed(60_000 * minute, value)
    assert source.resolution_wh == 2.0
    source.feed(240_000, 12.0)
    assert (source.resolution_wh, source.rose_ms) == (2.0, 180_000)
    source.feed(300_000, 12.0 + 1e-5)
    assert source.resolution_wh == 1e-3


def counted(*used: float, quantum: float | None = None, step: float = 0.1) -> tuple[CounterRuns, list[Draft]]:
    runs, source = CounterRuns(quantum_wh=quantum), counter(resolution_wh=step)
    drafts: list[Draft] = []
    for number, wh in enumerate(used):
        drafts += runs.feed(source, 60_000 * (number + 1), 60_000, wh, 400.0)
    return runs, drafts


def test_groups_that_stand_alone_tell_the_energy_of_a_run() -> None:
    """The median of three, of one to three intervals after one without."""
    runs, _ = counted(0, 2, 0, 1, 1.5, 0, 3, 0)
    assert runs.groups == [2, 2.5, 3]
    assert runs.quantum_wh == 2.5
    assert counted(0, 2, 0, 2, 0)[0].quantum_wh is None
    assert counted(0, 1, 1, 1, 1, 0)[0].groups == [], "four intervals are no single run"
    assert counted(2, 0)[0].groups == [], "nothing is known of what was before"


@pytest.mark.parametrize(
    ("energy", "quantum", "step", "runs"),
    [(2.0, 2.0, 0.1, 1), (2.9, 2.0, 0.1, 1), (3.1, 2.0, 0.1, 2), (0.6, 2.0, 0.1, 1), (0.59, 2.0, 0.1, 0),
     (2.0, 2.0, 1.0, 0), (2.0, 2.0, 0.9, 1)],
)  # fmt: skip
def test_how_many_runs_a_rise_was(energy: float, quantum: float, step: float, runs: int) -> None:
    """Nothing of less than three tenths of a run, and nothing where a step is half a run."""
    assert len(counted(0, energy, 0, quantum=quantum, step=step)[1]) == runs


def test_runs_of_a_rise_lie_evenly_and_last_as_long_as_their_power_says() -> None:
    """4 Wh in a minute are two of 2 Wh: 18 s each at 400 W, about the quarters of the minute."""
    _, [first, second] = counted(0, 4, 0, quantum=2.0)
    assert (first.start_ms, first.stop_ms) == (60_000 + 15_000 - 9_000, 60_000 + 15_000 + 9_000)
    assert (second.start_ms, second.stop_ms) == (60_000 + 45_000 - 9_000, 60_000 + 45_000 + 9_000)
    assert first.energy_wh == 2.0
    assert (first.samples, first.start_censored) == (0, True)


def test_a_runs_size_without_inflow_gives_its_length_at_any_inflow() -> None:
    """8 s and 1 Wh at no inflow, 450 W: at a mean of 90 W the duty is 0.2, a run 10 s and 1.25 Wh."""
    size = RunSize(wh=1.0, s=8.0, count=3)
    assert size.at_mean_w(90.0) == pytest.approx((1.25, 10.0))
    assert size.at_mean_w(9e9) == pytest.approx((1 / 0.015, 8 / 0.015))
    assert RunSize(wh=1.0, s=8.0, count=2).at_mean_w(90.0) is None


def test_a_coarsely_sampled_run_is_taken_at_the_length_of_its_cycle() -> None:
    """d (1 - d) = 8/50: d = 0.2, so 10 s and 1.25 Wh; of sixty runs at coarse samples half is believed."""
    size = RunSize(wh=1.0, s=8.0, count=59, noise=1e6, variance=1e-9)
    assert size.refine(2.25, 16.0, 50.0, 10.0) == pytest.approx((1.75, 13.0), rel=1e-3)
    fine = RunSize(wh=1.0, s=8.0, count=59, noise=1e6, variance=1e-9)
    assert fine.refine(2.25, 16.0, 50.0, 2.5) == pytest.approx((2.25, 16.0)), "a quarter of a run's length"
    between = RunSize(wh=1.0, s=8.0, count=59, noise=1e6, variance=1e-9)
    share = (4.25 / 10 - 0.25) / 0.35
    assert between.refine(2.25, 16.0, 50.0, 4.25)[0] == pytest.approx(2.25 - 0.5 * share, rel=1e-3)
    long = RunSize(wh=1.0, s=8.0, count=59, noise=1e6, variance=1e-9)
    assert long.refine(2.25, 18.0, 50.0, 10.0) == (2.25, 18.0), "more than a third of its cycle: its share is better"
    few = RunSize(wh=1.0, s=8.0, count=7, noise=1e6, variance=1e-9)
    assert few.refine(2.25, 16.0, 50.0, 10.0) == (2.25, 16.0)
    assert few.refine(2.25, 16.0, None, 10.0) == (2.25, 16.0)
    assert few.count == 8, "a run without a cycle teaches nothing"


# -- the choice of a source


def segmenter(site: Site = SITE) -> Segmenter:
    return Segmenter.of(site)


def fed(
    made: Segmenter, quantity: Quantity, values: list[float], start_s: int = 0, supply: Supply = MAINS
) -> list[Run]:
    """Readings each second."""
    return [run for n, value in enumerate(values) for run in made.feed(1000 * (start_s + n), quantity, value, supply)]


def test_a_new_segmenter_believes_the_nameplate() -> None:
    made = segmenter()
    assert (made.running_w, made.running_w_measured, made.standby_w) == (400.0, False, 0.0)
    assert made.source(0) is None
    assert made.coarse(0), "nothing is heard"
    assert made.pin_w == 1000.0
    beside = replace(SITE, arrangement=Arrangement.PARALLEL)
    assert segmenter(beside).pin_w is None, "packs that carry together share the pump"
    owned = Channel(Quantity.PUMP_POWER, "cellar/plug", max_silence_s=7.5)
    stated = replace(SITE, channels=(owned,))
    assert segmenter(stated).stated_ms == {Quantity.PUMP_POWER: 7_500}


def test_the_power_that_is_measured_best_is_believed() -> None:
    """Of the plug's power, the current and the pack's output; the last two mended as the counter says."""
    made = segmenter()
    fed(made, Quantity.PACK_OUTPUT_POWER, [0.0, 440.0, 440.0, 440.0, 440.0, 0.0])
    output = made.running_w
    assert made.running_w_measured
    assert output == pytest.approx(440.0, rel=0.02)
    fed(made, Quantity.PUMP_CURRENT, [0.0, 5.0, 5.0, 5.0, 5.0, 0.0], 10)
    made.meter.scale = 1.5
    assert made.running_w == pytest.approx(1.5 * 5.0 * made.watts_per_ampere, rel=0.02)
    fed(made, Quantity.PUMP_POWER, [0.0, 480.0, 480.0, 480.0, 480.0, 0.0], 20)
    assert made.running_w == pytest.approx(480.0, rel=0.02)
    bare = segmenter()
    bare.meter.scale = 1.5
    assert (bare.running_w, bare.running_w_measured) == (600.0, True)


def test_what_a_plug_draws_between_runs() -> None:
    """Twenty samples, and at least a fifth of a watt."""
    made = segmenter()
    fed(made, Quantity.PUMP_POWER, [0.25] * 19)
    assert made.standby_w == 0.0
    fed(made, Quantity.PUMP_POWER, [0.25], 19)
    assert made.standby_w == pytest.approx(0.25)
    low = segmenter()
    fed(low, Quantity.PUMP_POWER, [0.19] * 30)
    assert low.standby_w == 0.0


@pytest.mark.parametrize(
    ("usual_w", "pinned", "samples", "clipped"),
    [(800.0, 1, 2, True), (800.0, 1, 3, False), (799.0, 1, 1, False), (799.0, 2, 4, False), (799.0, 3, 6, True),
     (799.0, 3, 7, False)],
)  # fmt: skip
def test_a_run_at_the_rating_is_clipped(usual_w: float, pinned: int, samples: int, clipped: bool) -> None:
    """Half of its samples; of a pump that usually draws less than four fifths of the rating three at least."""
    made = segmenter()
    made.prior_w = usual_w
    assert made._pinned(pinned, samples) is clipped


def test_what_is_forgotten_after_work_on_the_pump() -> None:
    made = segmenter()
    fed(made, Quantity.PUMP_POWER, [0.0, 480.0, 480.0, 480.0, 480.0, 0.0])
    made.meter.scale, made.meter.counter_wh, made.meter.told_wh = 1.5, 3.0, 4.0
    made.trackers[Quantity.PUMP_POWER].size.count = 9
    made.counter_runs = CounterRuns(quantum_wh=2.0)
    made.begin_anew(levels=False)
    assert made.trackers[Quantity.PUMP_POWER].size.count == 0
    assert made.counter_runs == CounterRuns()
    assert made.running_w == pytest.approx(480.0, rel=0.02)
    left = (made.meter.scale, made.meter.counter_wh, made.meter.told_wh)
    made.begin_anew(levels=True)
    assert made.running_w == 400.0
    assert (left, made.meter.scale, made.meter.counter_wh, made.meter.told_wh) == ((1.5, 3.0, 4.0), 1.0, 0.0, 0.0)


def test_the_uncertainty_of_a_window_is_that_of_its_two_cut_ends() -> None:
    """Each end off by up to half of the greater of a counter's step and a run: q / sqrt(6)."""
    made = segmenter()
    assert made.cut_wh() == 0.0
    made.counter = counter(resolution_wh=10.0)
    assert made.cut_wh() == pytest.approx(10.0 / math.sqrt(6.0))
    made.counter_runs.quantum_wh = 12.0
    assert made.cut_wh() == pytest.approx(12.0 / math.sqrt(6.0))


@pytest.mark.parametrize(
    ("coarse", "disagreement", "source"),
    [
        (0.8, 0.0, Quantity.PUMP_POWER), (0.81, 0.0, Quantity.PUMP_RUNNING),
        (0.0, 0.55, Quantity.PUMP_POWER), (0.0, 0.56, Quantity.PUMP_RUNNING),
    ],
)  # fmt: skip
def test_a_coarse_source_gives_way(coarse: float, disagreement: float, source: Quantity) -> None:
    """More than four fifths of its runs not seen well; or the counter says something else by more than 55 %."""
    made = segmenter()
    fed(made, Quantity.PUMP_POWER, [0.0] * 30)
    fed(made, Quantity.PUMP_RUNNING, [0.0] * 30)
    made.metering = Quantity.PUMP_POWER
    made.trackers[Quantity.PUMP_POWER].coarse, made.meter.disagreement = coarse, disagreement
    assert made.source(29_000) is source
    assert not made.coarse(29_000)
    assert made.source(29_000 + 90_001) is None, "all are silent"


def test_what_is_learnt_of_a_runs_size() -> None:
    """The first is taken; of the next, a fifth above it, the share of the variance that is the level's own."""
    size = RunSize()
    size._learn(1.0, 10.0)
    assert (size.wh, size.s, size.variance) == (1.0, 10.0, 0.05)
    size._learn(1.2, 12.0)
    noise, variance = 0.05 + 0.25 * (0.04 - 0.05), 0.05 + 0.002**2
    gain = variance / (variance + noise)
    assert size.noise == pytest.approx(noise)
    assert size.variance == pytest.approx(variance * (1.0 - gain))
    assert (size.wh, size.s) == pytest.approx((1.0 + 0.2 * gain, 10.0 + 2.0 * gain))


def test_levels_are_looked_for_among_256_samples() -> None:
    """2 and 480 W, one in ten: nothing is found before that."""
    levels = Levels(running_w=400.0)
    counts = []
    for index in range(256):
        levels.idle(480.0 if index % 10 == 0 else 2.0)
        counts.append(levels.running_count)
    assert counts == [0] * 255 + [1]


def test_levels_are_the_classes_that_lie_furthest_apart_by_their_sizes() -> None:
    """Otsu's measure is the product of both sizes: 20 samples in the class of 1 W, 100 of 511 W and 10 of 2047 W. Cut
    below the pump it is 20 x 110 x 32.7^2, cut above it 120 x 10 x 13.3^2, though there the ratio of sizes is greater.
    """
    levels = Levels(running_w=400.0)
    levels.bins[4], levels.bins[36], levels.bins[44] = 20, 100, 10
    levels._split()
    assert levels.idle_w == pytest.approx(1.0)
    assert levels.running_w == pytest.approx(2.0 ** ((100 * 36 + 10 * 44) / 110 / 4))


def test_how_often_a_source_reports_where_nothing_happens() -> None:
    """A fiftieth of what is missing to all, and of what there is: 0.02, 0.02 + 0.98 / 50, and a fiftieth less."""
    rhythm = Rhythm()
    rhythm.steady(1_000)
    rhythm.steady(1_000)
    assert rhythm.idle == pytest.approx(0.0396)
    rhythm.edge(1_000)
    assert rhythm.idle == pytest.approx(0.0396 * 0.98)
    for _ in range(500):
        rhythm.steady(1_000)
    assert rhythm.idle == pytest.approx(1.0, abs=1e-4)


def test_a_counters_usual_run_is_the_median_of_the_newest_forty_one_groups() -> None:
    runs = CounterRuns()
    for group_wh in [2.0] * 21 + [1.0] * 20:
        runs._learn(group_wh)
    assert runs.quantum_wh == 2.0
    runs._learn(1.0)
    assert runs.quantum_wh == 1.0, "21 of 41, now that the oldest has gone"


def test_a_counter_may_count_several_runs_as_one_within_its_usual_interval() -> None:
    """Read once a minute; intervals are remembered to about a tenth."""
    segmenter = Segmenter.of(replace(SITE, channels=(Channel(Quantity.PUMP_ENERGY, "c"),)))
    for minute in range(30):
        segmenter.feed(minute * 60_000, Quantity.PUMP_ENERGY, float(minute), MAINS)
    heard = segmenter.hearing(Quantity.PUMP_ENERGY)
    assert heard == Hearing(heard.sample_s)
    assert heard.sample_s == pytest.approx(60.0, rel=0.1)


def test_a_run_that_only_a_float_tells_of_uses_the_pumps_power_while_it_lasts() -> None:
    """400 W from its start to its stop."""
    segmenter = Segmenter.of(replace(SITE, channels=(Channel(Quantity.PIT_FLOAT, "f"),)))
    runs: list[Run] = []
    for cycle in range(3):
        for second, on in ((0, 1.0), (9, 0.0)):
            runs += segmenter.feed(cycle * 180_000 + second * 1000, Quantity.PIT_FLOAT, on, MAINS)
    assert len(runs) == 3
    for run in runs:
        assert run.energy_wh == pytest.approx(400.0 * (run.stop_ms - run.start_ms) / 3_600_000.0)
