"""The dry run: from runs and waits by the formula of the pit, unbiased however coarsely the runs were sampled."""

from __future__ import annotations

import numpy as np
import pytest

from forecaster.record.cycles import still_lengths


@pytest.mark.parametrize("dry_s", [8.0, 12.4, 30.0])
def test_what_flows_in_meanwhile_is_taken_off(dry_s: float) -> None:
    """A pump of rate Qp lifting V against Qi runs V / (Qp - Qi): MIL-HDBK-1005/9A 2.5.3.6, Eq. 1-2."""
    inflow = np.array([0.0, 0.002, 0.01, 0.02])
    runs = dry_s / (1.0 - dry_s * inflow)
    assert still_lengths(runs, inflow) == pytest.approx(np.full(4, dry_s))


@pytest.mark.parametrize("dry_s", [11.0, 12.4, 14.0, 17.0])
@pytest.mark.parametrize("wait_s", [40.0, 120.0, 400.0])
def test_samples_every_ten_seconds_of_it_tell_no_shorter_ones(dry_s: float, wait_s: float) -> None:
    """4,000 runs of one pump, each seen as a whole number of samples; turned round run by run they lose up to 2 %."""
    rng = np.random.default_rng(1)
    inflow = np.full(4000, 1.0 / wait_s)
    runs = dry_s * (1.0 + rng.normal(0.0, 0.05, 4000)) / (1.0 - dry_s * inflow)
    seen = 10.0 * np.floor(runs / 10.0 + rng.uniform(size=4000))
    assert still_lengths(seen, inflow).mean() == pytest.approx(dry_s, rel=0.012)


def test_no_runs_have_no_lengths() -> None:
    assert still_lengths(np.empty(0), np.empty(0)).size == 0
