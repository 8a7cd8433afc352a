"""The site's normal and the supply, each over the edges of what it does; the arithmetic stands beside the values."""

from __future__ import annotations

import math

import numpy as np
import pytest

from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Run, Supply
from forecaster.domain.times import HOUR_MS
from forecaster.engine.normals import Normals, fading_mean, spread_of
from forecaster.engine.supply import SupplyChange, SupplyTracker
from forecaster.segment.hearing import Hearing
from forecaster.segment.rhythm import Rhythm

MIN_MS = 60_000
FINE = Hearing(sample_s=1.0, short_share=0.0, whole_ms=0)
MAINS, PACK = Supply.MAINS, Supply.PACK


def ran(
    start_s: float, length_s: float = 10.0, *, supply: Supply = MAINS, samples: int = 8, watts: float = 480.0
) -> Run:
    start, stop = round(start_s * 1000), round((start_s + length_s) * 1000)
    wh = watts * length_s / 3600.0
    return Run("larkspur", start, stop, wh, watts, watts, Quantity.PUMP_POWER, supply, samples)


def learnt(*runs: Run, hearing: Hearing = FINE) -> Normals:
    normals = Normals()
    for run in runs:
        normals.run(run, after_gap=False, hearing=hearing)
    return normals


def test_points_are_numpys() -> None:
    """numpy.quantile, its default method."""
    values = [3.0, 9.0, 1.0, 4.0, 7.0, 2.0]
    found = spread_of(values)
    assert found is not None
    assert (found.p05, found.p50, found.p95) == pytest.approx(tuple(np.quantile(values, [0.05, 0.5, 0.95])))
    assert found.count == 6
    assert spread_of([]) is None


def test_a_fading_mean_halves_its_weights() -> None:
    """Of 1, 2, 4 with a half-life of one value: (4 + 2/2 + 1/4) / (1 + 1/2 + 1/4)."""
    assert fading_mean([1.0, 2.0, 4.0], 1.0) == pytest.approx(5.25 / 1.75)
    assert fading_mean([], 1.0) is None


def test_a_run_without_inflow_is_shorter_by_its_share_of_the_cycle() -> None:
    """20 s after a wait of 100 s from start to start: 20 (1 - 20/100) = 16 s."""
    normals = learnt(ran(0), ran(100, 20))
    assert normals.dry_run_s == pytest.approx([16.0])
    assert learnt(ran(0), ran(22.4, 20)).dry_run_s == [], "a rest of less than two and a half samples"
    assert len(learnt(ran(0), ran(22.5, 20)).dry_run_s) == 1
    assert learnt(ran(0), ran(100, 20, samples=1)).dry_run_s == []


@pytest.mark.parametrize(
    ("sample_s", "usual_s", "taken"), [(15.0, 10.0, True), (15.1, 10.0, False), (90.0, None, True)]
)
def test_where_samples_are_coarser_than_runs_their_lengths_tell_no_flow(
    sample_s: float, usual_s: float | None, taken: bool
) -> None:
    normals = learnt(ran(0))
    normals.dry_usual_s = usual_s
    normals.run(ran(1000, 20), after_gap=False, hearing=Hearing(sample_s, 0.0, 0))
    assert bool(normals.dry_run_s) is taken


def test_the_usual_length_begins_with_forty_runs_and_follows_slowly() -> None:
    """The mean of the first forty; then a fifteen-hundredth of the difference a run."""
    normals = learnt(*(ran(100.0 * k, 10.0) for k in range(40)))
    assert normals.dry_usual_s is None
    normals.run(ran(4000, 10.0), after_gap=False, hearing=FINE)
    assert normals.dry_usual_s == pytest.approx(9.0)
    normals.run(ran(4100, 20.0), after_gap=False, hearing=FINE)
    assert normals.dry_usual_s == pytest.approx(9.0 + 7.0 / 1500.0)


def test_flow_is_the_usual_length_over_that_of_the_newest_twelve() -> None:
    normals = Normals(dry_run_s=[10.0] * 20 + [12.5] * 12, dry_usual_s=10.0)
    assert normals.flow_share() == pytest.approx(0.8)
    assert Normals(dry_run_s=[12.5] * 11, dry_usual_s=10.0).flow_share() is None
    # 7.5 and 12.5 in turn: a deviation of 2.611, of the mean 0.754; four of it are 3.02
    rough = [7.5, 12.5] * 6
    assert Normals(dry_run_s=rough, dry_usual_s=7.0).flow_share() == 1.0
    assert Normals(dry_run_s=rough, dry_usual_s=6.9).flow_share() == pytest.approx(0.69)
    assert Normals(dry_run_s=[0.0] * 12, dry_usual_s=10.0).flow_share() is None


def test_what_is_kept_of_runs() -> None:
    normals = learnt(*(ran(100.0 * k, 10.0 + k / 100) for k in range(130)))
    assert [len(kept) for kept in (normals.run_s, normals.run_w, normals.run_wh, normals.intervals_s)] == [120] * 4
    assert len(normals.log_ratios) == 60
    assert normals.count == 130
    assert normals.run_s[-1] == pytest.approx(11.29)
    assert normals.recent_run_s() == pytest.approx(10.0 + 1.25)
    assert learnt(*(ran(100.0 * k) for k in range(8))).recent_run_s() is None, "nine are enough"
    assert learnt(ran(0, samples=1)).run_s == []


def test_the_first_run_on_the_pack_is_kept_even_if_it_began_a_second_early() -> None:
    normals = Normals(await_first_since_ms=100_000)
    normals.run(ran(98.9, supply=PACK), after_gap=False, hearing=FINE)
    normals.run(ran(99.5), after_gap=False, hearing=FINE)
    assert normals.first_on_pack is None
    first = ran(99.0, supply=PACK)
    normals.run(first, after_gap=False, hearing=FINE)
    normals.run(ran(200.0, supply=PACK), after_gap=False, hearing=FINE)
    assert normals.first_on_pack == first


def test_starts_of_the_last_two_hours_are_counted() -> None:
    normals = learnt(*(ran(600.0 * k) for k in range(31)))  # five hours, every ten minutes
    assert normals.cycles_since(4 * HOUR_MS) == 7
    assert normals.cycles_since(3 * HOUR_MS) == 13
    assert len(normals.starts_ms) <= 17, "and older ones go"


def test_starts_by_the_hour_without_the_first_hour_and_with_empty_ones() -> None:
    """Two starts in the hours 0, 1 and 3: hour 0 may have begun before it was watched."""
    normals = learnt(*(ran(hour * 3600.0 + minute * 60.0) for hour in (0, 1, 3, 4) for minute in (10, 40)))
    assert normals.hourly == [2.0, 0.0, 2.0]
    gap = learnt(ran(600), ran(4200))
    gap.run(ran(8000), after_gap=True, hearing=FINE)
    assert gap.hourly == []


def test_older_hours_leave_out_the_last_day() -> None:
    normals = Normals(hourly=[float(n) for n in range(49)])
    assert normals.older_hours() == [float(n) for n in range(25)]
    assert len(Normals(hourly=[1.0] * 48).older_hours()) == 48
    assert normals.lately_per_hour() == pytest.approx(sum(range(37, 49)) / 12)
    assert Normals(hourly=[1.0] * 11).lately_per_hour() is None


def test_how_evenly_starts_come() -> None:
    """The 68.3 % point of |ln ratio| over sqrt(2); never below 0.05 nor above 1.5, and 0.5 before eight are known."""
    assert Normals(log_ratios=[0.3] * 7).interval_cv == 0.5
    assert Normals(log_ratios=[0.3, -0.3] * 4).interval_cv == pytest.approx(0.3 / math.sqrt(2))
    ratios = [n / 10 for n in range(1, 12)]
    assert Normals(log_ratios=ratios).interval_cv == pytest.approx(float(np.quantile(ratios, 0.683)) / math.sqrt(2))
    assert Normals(log_ratios=[0.001] * 8).interval_cv == 0.05
    assert Normals(log_ratios=[5.0] * 8).interval_cv == 1.5


@pytest.mark.parametrize(
    ("long_s", "after_s", "lost"), [(160, 100, True), (159, 100, False), (200, 130, True), (200, 131, False)]
)
def test_an_interval_that_hid_a_run_is_longer_than_those_before_and_after(
    long_s: float, after_s: float, lost: bool
) -> None:
    """1.6 times the usual one, and the next back to 0.65 of it; each weighs a fifteen-hundredth."""
    starts = [100.0 * k for k in range(11)]
    starts += [starts[-1] + long_s, starts[-1] + long_s + after_s]
    normals = learnt(*(ran(start) for start in starts))
    assert normals.lost_share == pytest.approx(1 / 1500 if lost else 0.0)


def test_a_loss_is_untraced_where_nothing_else_was_missing() -> None:
    starts = [*(100.0 * k for k in range(11)), 1200.0, 1300.0]
    traced = learnt(*(ran(s) for s in starts), hearing=Hearing(1.0, 0.0, None))
    assert traced.lost_share == pytest.approx(1 / 1500)
    assert traced.untraced_share == 0.0
    since_late = learnt(*(ran(s) for s in starts), hearing=Hearing(1.0, 0.0, 1_000_001))
    assert since_late.untraced_share == 0.0, "it is whole only since after the start of that interval"
    assert learnt(*(ran(s) for s in starts)).untraced_share == pytest.approx(1 / 1500)


def test_energy_of_a_run_fades_over_two_dozen() -> None:
    normals = Normals(run_wh=[1.0] * 24 + [2.0] * 24)
    keep = 0.5 ** (1 / 24)
    weights = [keep**age for age in range(48)]
    assert normals.usual_run_wh() == pytest.approx(
        sum(w * v for w, v in zip(weights, [2.0] * 24 + [1.0] * 24, strict=True)) / sum(weights)
    )


# -- the supply


def charged(tracker: SupplyTracker, *readings: tuple[float, float]) -> list[SupplyChange]:
    """readings : (minutes, %)."""
    found = [tracker.on_charge(round(minute * MIN_MS), percent) for minute, percent in readings]
    return [change for change in found if change is not None]


def flagged(*said: tuple[float, float], last_s: float, every_s: float = 30.0) -> SupplyTracker:
    """A sensor that says what it does from some seconds on, heard every half a minute."""
    tracker = SupplyTracker.of(90_000)
    second = said[0][0]
    turns = dict(said)
    times = sorted({*turns, *(second + every_s * k for k in range(int((last_s - second) / every_s) + 1)), last_s})
    value = said[0][1]
    for at in times:
        value = turns.get(at, value)
        tracker.on_mains(round(at * 1000), value)
    return tracker


@pytest.mark.parametrize(("fall", "lost"), [(1.9, False), (2.0, True)])
def test_a_fall_of_two_per_cent_is_a_loss_before_a_day_was_watched(fall: float, lost: bool) -> None:
    assert bool(charged(SupplyTracker.of(None), (0, 100.0), (10, 100.0 - fall))) is lost


@pytest.mark.parametrize(
    ("watts", "fall", "lost"), [(3.0, 1.0, True), (3.0, 0.9, False), (3.1, 3.9, False), (3.1, 4.0, True)]
)
def test_what_flows_in_decides_how_far_the_charge_must_fall(watts: float, fall: float, lost: bool) -> None:
    """3 W and less are nothing: one per cent is enough then; with more it takes four."""
    tracker = SupplyTracker.of(None)
    charged(tracker, (0, 100.0))
    tracker.on_input(0, watts)
    assert bool(charged(tracker, (1, 100.0 - fall))) is lost


@pytest.mark.parametrize(("hours", "fall", "lost"), [(24.0, 0.5, True), (24.0, 0.4, False), (23.6, 0.5, False)])
def test_after_a_day_of_a_steady_charge_half_a_per_cent_is_enough(hours: float, fall: float, lost: bool) -> None:
    tracker = SupplyTracker.of(None)
    steps = int(hours * 3)
    charged(tracker, *((20.0 * k, 100.0) for k in range(steps + 1)))
    assert bool(charged(tracker, (20.0 * steps + 0.1, 100.0 - fall))) is lost


def test_a_look_counts_for_twenty_minutes_at_most() -> None:
    tracker = SupplyTracker.of(None)
    charged(tracker, (0, 100.0), (20, 100.0), (80, 100.0))
    assert tracker.watched_ms == 40 * MIN_MS
    tracker.supply = PACK
    charged(tracker, (90, 100.0))
    assert tracker.watched_ms == 40 * MIN_MS, "on mains only"


@pytest.mark.parametrize(
    ("sag", "fall", "lost"), [(1.0, 1.4, False), (1.0, 1.5, True), (9.0, 2.4, False), (9.0, 2.5, True)]
)
def test_a_known_sag_is_granted_up_to_two_per_cent(sag: float, fall: float, lost: bool) -> None:
    tracker = SupplyTracker.of(None)
    tracker.sag_percent, tracker.watched_ms = sag, 24 * HOUR_MS
    assert bool(charged(tracker, (0, 100.0), (5, 100.0 - fall))) is lost


@pytest.mark.parametrize(("second", "lost"), [(179, False), (180, True)])
def test_nothing_flows_in_for_two_minutes_and_the_charge_is_below_its_height(second: int, lost: bool) -> None:
    tracker = SupplyTracker.of(None)
    charged(tracker, (0, 95.0), (0.5, 94.5))
    tracker.on_input(60_000, 0.0)
    change = tracker.on_input(second * 1000, 0.0)
    assert (change == SupplyChange(60_000, PACK, True)) is lost
    level = SupplyTracker.of(None)
    charged(level, (0, 95.0))
    level.on_input(60_000, 0.0)
    assert level.on_input(600_000, 0.0) is None, "at its height"


def on_pack(from_percent: float = 100.0) -> SupplyTracker:
    """On the pack since minute 20 by the charge, at 90 % from minute 60 on."""
    tracker = SupplyTracker.of(None)
    [lost] = charged(tracker, (0, from_percent), (20, from_percent), (30, from_percent - 2), (60, 90.0), (80, 90.0))
    assert lost == SupplyChange(20 * MIN_MS, PACK, True)
    return tracker


@pytest.mark.parametrize(("rise", "minutes", "back"), [(2.4, 10.0, True), (2.3, 60.0, False), (2.4, 9.9, False)])
def test_a_charge_that_stands_two_per_cent_higher_for_ten_minutes_is_the_mains(
    rise: float, minutes: float, back: bool
) -> None:
    """Two per cent, and one and a fifth of the gauge's step: 2 % here, so 2.4."""
    found = charged(on_pack(), (100, 90.0 + rise), (100 + minutes, 90.0 + rise))
    assert bool(found) is back
    if back:
        assert found[0].to is MAINS
        assert found[0].at_ms == 80 * MIN_MS, "from where the charge was lowest"


def test_a_charge_that_is_back_where_it_fell_from_is_the_mains() -> None:
    tracker = SupplyTracker.of(None)
    tracker.watched_ms = 24 * HOUR_MS
    [lost] = charged(tracker, (0, 100.0), (10, 99.0))
    assert lost.to is PACK
    assert charged(tracker, (20, 99.5), (40, 99.5)) == []
    [back] = charged(tracker, (60, 100.0), (70, 100.0))
    assert back.to is MAINS
    assert tracker.sag_percent == 0.0, "longer than three quarters of an hour is no sag"


def test_a_brief_small_fall_that_was_made_good_is_a_sag() -> None:
    tracker = SupplyTracker.of(None)
    tracker.watched_ms = 24 * HOUR_MS
    charged(tracker, (0, 100.0), (10, 99.0), (20, 100.0), (30, 100.0))
    assert (tracker.supply, tracker.sag_percent) == (MAINS, 1.0)


@pytest.mark.parametrize(("stands_s", "back"), [(119, False), (120, True)])
def test_a_return_is_believed_after_two_minutes(stands_s: float, back: bool) -> None:
    tracker = flagged((0, 1.0), (600, 0.0), (1200, 1.0), last_s=1200 + stands_s)
    assert (tracker.supply is MAINS) is back


@pytest.mark.parametrize(("stands_s", "back"), [(599, False), (600, True)])
def test_a_sensor_that_changed_three_times_in_half_an_hour_must_stand_for_ten_minutes(
    stands_s: float, back: bool
) -> None:
    tracker = flagged((0, 1.0), (600, 0.0), (900, 1.0), (1000, 0.0), (1500, 1.0), last_s=1500 + stands_s)
    assert (tracker.supply is MAINS) is back
    calm = flagged((0, 1.0), (600, 0.0), (1500, 1.0), last_s=1500 + 120)
    assert calm.supply is MAINS


@pytest.mark.parametrize(("gap_s", "stands_s", "lost"), [(599, 59, False), (599, 60, True), (601, 0, True)])
def test_a_loss_right_after_another_change_must_stand_for_a_minute(gap_s: float, stands_s: float, lost: bool) -> None:
    """Believed at once where the sensor has been steady for ten minutes."""
    tracker = flagged((0, 0.0), (1000, 1.0), (1000 + gap_s, 0.0), last_s=1000 + gap_s + stands_s)
    assert (tracker.supply is PACK and tracker.since_ms == round((1000 + gap_s) * 1000)) is lost


@pytest.mark.parametrize(("fall", "minutes", "suspect"), [(2.0, 5.0, True), (1.9, 60.0, False), (2.0, 4.9, False)])
def test_a_sensor_that_says_mains_while_the_charge_falls_is_overruled(
    fall: float, minutes: float, suspect: bool
) -> None:
    """By two per cent over five minutes."""
    tracker = flagged((0, 1.0), last_s=600)
    tracker.on_charge(600_000, 100.0)
    for k in range(1, int(minutes * 2) + 1):
        tracker.on_mains(600_000 + 30_000 * k, 1.0)
    change = tracker.on_charge(600_000 + round(minutes * MIN_MS), 100.0 - fall)
    assert (change is not None) is suspect
    assert (tracker.suspect_ms is not None) is suspect


@pytest.mark.parametrize(("agrees_h", "believed"), [(23.9, False), (24.0, True)])
def test_a_suspect_sensor_is_believed_after_a_day_of_agreement(agrees_h: float, believed: bool) -> None:
    tracker = SupplyTracker.of(90_000)
    tracker.flag, tracker.suspect_ms = MAINS, 0
    tracker.on_mains(round(agrees_h * HOUR_MS), 1.0)
    assert (tracker.suspect_ms is None) is believed


@pytest.mark.parametrize(("stood_h", "overruled"), [(3.9, False), (4.0, True)])
def test_a_sensor_that_only_ever_said_pack_is_overruled_by_a_charge_that_stands(
    stood_h: float, overruled: bool
) -> None:
    tracker = SupplyTracker.of(90_000)
    tracker.on_charge(0, 80.0)
    tracker.on_mains(0, 0.0)
    for k in range(1, int(stood_h * 60) + 1):
        tracker.on_mains(k * MIN_MS, 0.0)
    change = tracker.on_charge(round(stood_h * HOUR_MS), 80.0)
    assert (change == SupplyChange(round(stood_h * HOUR_MS), MAINS, True)) is overruled


# -- the rhythm of a source


def beating(every_ms: int, count: int) -> Rhythm:
    rhythm = Rhythm()
    for number in range(count):
        interval = rhythm.heard(number * every_ms, 1.0)
        if interval is not None:
            rhythm.steady(interval)
    return rhythm


def test_a_silence_is_learnt_from_the_rhythm() -> None:
    """Before it is known three minutes; of a beat of 60 s (bucket 65.536 s) three of these; 15 s at least."""
    assert Rhythm().gap_ms == 180_000
    assert beating(60_000, 20).gap_ms == 180_000
    assert beating(60_000, 21).gap_ms == 3 * 65_536
    assert beating(1_000, 21).gap_ms == 15_000
    assert beating(1_000, 21).silence_ms == 90_000
    assert beating(60_000, 21).silence_ms == 3 * 65_536
    assert Rhythm(stated_ms=5_000, gap_ms=900_000).silence_ms == 5_000
    assert beating(60_000, 21).typical_ms() == 65_536
    assert Rhythm().typical_ms() is None


def test_silence_begins_beyond_its_limit() -> None:
    rhythm = Rhythm(stated_ms=5_000)
    assert rhythm.silent(0)
    rhythm.heard(1_000, 1.0)
    assert not rhythm.silent(6_000)
    assert rhythm.silent(6_001)


def test_a_value_has_changed_when_it_differs() -> None:
    rhythm = Rhythm()
    assert rhythm.heard(1_000, 5.0) is None
    assert rhythm.heard(3_000, 5.0) == 2_000
    assert rhythm.changed_ms == 1_000
    rhythm.heard(4_000, 6.0)
    assert (rhythm.changed_ms, rhythm.last_value) == (4_000, 6.0)


def test_a_beat_that_did_not_come_is_a_lapse() -> None:
    """More than 1.6 of the beat."""
    rhythm = Rhythm(steady_ms=10_000.0, last_ms=0)
    rhythm.heard(16_000, 1.0)
    assert rhythm.lapse_ms is None
    rhythm.heard(32_001, 1.0)
    assert rhythm.lapse_ms == 32_001


def test_the_beat_follows_by_a_twentieth() -> None:
    rhythm = Rhythm()
    rhythm.steady(10_000)
    assert rhythm.steady_ms == 10_000.0
    rhythm.steady(20_000)
    assert rhythm.steady_ms == pytest.approx(10_500.0)
    rhythm.steady(1_000)
    assert rhythm.steady_ms == pytest.approx(10_000.0)
    rhythm.edge(5_000)
    rhythm.steady(1_000)
    assert rhythm.steady_ms == pytest.approx(10_000.0 / 1.05 ** (1 / 9)), "after an edge by a ninth of that"


def test_edges_off_the_beat_are_reports_on_change() -> None:
    """Each edge moves the share by a tenth: four of them pass 0.3 (1 - 0.9^4 = 0.344)."""
    rhythm = Rhythm(steady_ms=10_000.0)
    changing = []
    for _ in range(4):
        rhythm.edge(6_999)
        changing.append(rhythm.on_change)
    assert changing == [False, False, False, True]
    assert rhythm.sample_s == 0.0
    beat = Rhythm(steady_ms=10_000.0)
    for _ in range(9):
        beat.edge(7_000)
    assert (beat.on_change, beat.sample_s) == (False, 10.0)


@pytest.mark.parametrize(
    ("facts", "untraced"),
    [
        ({}, False), ({"steady_ms": None}, True), ({"on_beat": 0.89}, True),
        ({"off_beat": 0.31}, False), ({"off_beat": 0.31, "idle": 0.19}, True),
        ({"off_beat": 0.31, "steady_ms": 90_001.0}, True), ({"steady_ms": 90_001.0}, False),
    ],
)  # fmt: skip
def test_when_readings_can_be_lost_without_a_trace(facts: dict[str, float | None], untraced: bool) -> None:
    """Where it tells nothing between changes, or seldom (every 90 s), or in fewer than nine of ten beats."""
    regular: dict[str, float | None] = {"steady_ms": 60_000.0, "on_beat": 0.9, "idle": 0.2}
    rhythm = Rhythm()
    for name, value in (regular | facts).items():
        setattr(rhythm, name, value)
    assert rhythm.untraced is untraced


@pytest.mark.parametrize(("interval_ms", "usual"), [(7_999, False), (8_000, True), (12_500, True), (12_501, False)])
def test_a_beat_is_usual_within_a_fifth_below_and_a_quarter_above(interval_ms: int, usual: bool) -> None:
    rhythm = Rhythm(steady_ms=10_000.0, on_beat=0.5)
    rhythm.steady(interval_ms)
    assert rhythm.on_beat == pytest.approx(0.5 + 0.02 * ((1.0 if usual else 0.0) - 0.5))


def test_a_source_of_changes_and_beats_is_missed_after_three_beats() -> None:
    """On change, nothing happening in a fifth of the intervals: three beats; else twice the longest that came twice."""
    rhythm = Rhythm(steady_ms=60_000.0, off_beat=0.9, idle=0.5, count=19, buckets=[0] * 14 + [19] + [0] * 25)
    rhythm.heard(0, 1.0)
    rhythm.heard(10_000, 2.0)
    assert rhythm.gap_ms == 180_000
    rare = Rhythm(steady_ms=60_000.0, off_beat=0.9, idle=0.1, count=18, buckets=[0] * 14 + [16, 0, 0, 2] + [0] * 22)
    rare.heard(0, 1.0)
    rare.heard(10_000, 2.0)
    rare.heard(20_000, 1.0)
    assert rare.gap_ms == 2 * 2**17
