"""Runs caught by samples: how far their energy strays, against the binomial and the Poisson law.

The number caught of n runs, each with chance p, has a variance of n p (1 - p); with p small and n great, of its mean
(Cochran, Sampling Techniques, 3rd ed., sec. 3.2). Windows are of half an hour, and one sample stands for 2 Wh.
"""

from __future__ import annotations

import numpy as np
import pytest

from forecaster.domain.site import Pit, Pump
from forecaster.domain.times import HOUR_MS
from forecaster.maths.arrays import Array
from forecaster.water import catches
from forecaster.water.catches import Catches
from forecaster.water.inflow import Inflow

HALF_MS = HOUR_MS // 2
LUMP_WH, RUNNING_W = 2.0, 720.0


def caught(counts: list[int]) -> Catches:
    """What windows with so many caught runs leave."""
    found = Catches()
    for index, count in enumerate(counts):
        found.take(index * HALF_MS, (index + 1) * HALF_MS, LUMP_WH * count, LUMP_WH, RUNNING_W)
    return found


@pytest.mark.parametrize("chance", [0.9, 0.8, 0.6, 0.4])
def test_runs_that_are_mostly_caught_stray_by_those_that_are_missed(chance: float) -> None:
    """Of 20 runs in each window: (1 - p) times the variance of Poisson; 100 windows tell it to a seventh."""
    found = caught(np.random.default_rng(3).binomial(20, chance, 400).tolist())
    assert found.mean == pytest.approx(1.0 - chance, rel=0.25)
    assert found.dispersion == max(found.mean, catches.LEAST)


def test_rare_catches_stray_as_by_chance() -> None:
    assert caught(np.random.default_rng(5).poisson(3.0, 400).tolist()).dispersion > 0.8


def test_two_windows_by_hand() -> None:
    """15 and 25 runs where 20 were expected: 10² (1/40 + 1/40) / 2 = 2.5, averaged with four of 1."""
    found = caught([15, 25])
    assert (found.mean, found.count) == pytest.approx((1.3, 5.0))
    assert found.dispersion == 1.0


def test_windows_of_unlike_length_are_compared_by_their_rates() -> None:
    """An hour with 20 runs and half an hour with 10 do not differ: (0 + 4) / 5."""
    found = Catches()
    found.take(0, HOUR_MS, 40.0, LUMP_WH, RUNNING_W)
    assert found.take(HOUR_MS, HOUR_MS + HALF_MS, 20.0, LUMP_WH, RUNNING_W) == pytest.approx(LUMP_WH * 0.8)


def test_what_is_no_neighbour_counts_by_chance_or_misses_the_usual_run_tells_nothing() -> None:
    found = Catches()
    assert found.take(0, HALF_MS, 40.0, LUMP_WH, RUNNING_W) == LUMP_WH
    assert found.take(2 * HALF_MS, 3 * HALF_MS, 90.0, LUMP_WH, RUNNING_W) == LUMP_WH
    assert found.take(3 * HALF_MS, 4 * HALF_MS, 50.0, 0.0, RUNNING_W) == 0.0
    assert found.take(4 * HALF_MS, 5 * HALF_MS, 40.0, 18.0, RUNNING_W) == 18.0
    assert found.count == Catches().count


def test_a_storm_does_not_make_the_catches_stray_for_long() -> None:
    quiet = [10] * 40
    assert caught([*quiet, 100, 100, *quiet]).mean < 0.25


def told(counts: list[int]) -> Inflow:
    """What windows with so many caught runs tell of the water."""
    inflow = Inflow(Pump(rated_voltage_v=120.0, rated_power_w=RUNNING_W), Pit())
    for index, count in enumerate(counts):
        inflow.observe(index * HALF_MS, (index + 1) * HALF_MS, LUMP_WH * count, LUMP_WH)
    return inflow


HOURS_36 = 72 * HALF_MS
EVEN = [np.random.default_rng(seed).binomial(6, 0.8, 72).tolist() for seed in range(6)]
"""Six houses, 19.2 W for a day and a half: six runs in each window, a fifth of them missed."""


def test_the_level_of_a_pump_that_is_mostly_caught_is_known_better(monkeypatch: pytest.MonkeyPatch) -> None:
    """Than if it were known to catch rarely."""
    known = [told(counts).mean_w(HOURS_36) for counts in EVEN]
    assert np.mean([now.p50 for now in known]) == pytest.approx(19.2, rel=0.07)
    assert all(now.p05 <= 19.2 <= now.p95 for now in known)
    monkeypatch.setattr(catches, "LEAST", catches.MOST)
    by_chance = [told(counts).mean_w(HOURS_36) for counts in EVEN]
    assert np.mean([now.p95 - now.p05 for now in known]) < 0.95 * np.mean([now.p95 - now.p05 for now in by_chance])


def test_an_even_pump_is_expected_to_go_on_evenly() -> None:
    """The energy of the coming eight hours, in the mean over them: it was 11 % low and is 4 %."""
    coming_wh = [np.median(ahead_wh(told(counts))) for counts in EVEN]
    assert np.mean(coming_wh) == pytest.approx(8.0 * 19.2, rel=0.06)


def ahead_wh(inflow: Inflow) -> Array:
    """Draws of the pump's energy in the next eight hours [Wh]."""
    return inflow.drawn_ahead(HOURS_36, np.linspace(0.0, 8.0 * 3600.0, 33), 400, 3)[:, -1].astype(np.float64)


def test_a_count_that_is_high_by_a_fifth_is_no_storm_yet(monkeypatch: pytest.MonkeyPatch) -> None:
    """18 of 20 runs caught in each window, and all 20 and four more in the last, as where samples keep step with runs.

    Believed as far as neighbours agree, it would be three standard deviations and a storm that begins.
    """
    high = [[*np.random.default_rng(seed).binomial(20, 0.9, 71).tolist(), 24] for seed in range(3)]
    late_wh = [np.quantile(ahead_wh(told(counts)), 0.9) for counts in high]
    monkeypatch.setattr("forecaster.water.inflow.SUDDEN", catches.LEAST)
    stormy_wh = [np.quantile(ahead_wh(told(counts)), 0.9) for counts in high]
    assert np.mean(late_wh) < 1.4 * 8.0 * 72.0
    assert np.mean(stormy_wh) > 2.0 * 8.0 * 72.0


def test_what_was_learnt_is_kept_in_a_snapshot_and_one_without_it_starts_anew() -> None:
    pump = Pump(rated_voltage_v=120.0, rated_power_w=RUNNING_W)
    inflow = Inflow(pump, Pit())
    for index in range(8):
        inflow.observe(index * HALF_MS, (index + 1) * HALF_MS, 20.0, LUMP_WH)
    state = inflow.state()
    assert Inflow.from_state(pump, Pit(), state).catches == inflow.catches
    assert inflow.copy().catches is not inflow.catches
    del state["catches"]
    assert Inflow.from_state(pump, Pit(), state).catches == Catches()
