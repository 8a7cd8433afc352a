"""What a pump draws, from a measured running power and what else is known of it."""

from __future__ import annotations

import pytest

from forecaster.domain.site import Pump
from forecaster.sizing.draw import running_draw


def test_a_measured_power_is_known_to_a_few_per_cent_on_both_sides() -> None:
    """Household meters err by some per cent (common practice, no source)."""
    found = running_draw(Pump(), 400.0)
    assert found.w.mid == 400.0
    assert 0.95 * 400.0 < found.w.low < 0.99 * 400.0
    assert 1.01 * 400.0 < found.w.high < 1.05 * 400.0


def test_apparent_power_is_active_power_over_the_power_factor() -> None:
    """400 W at 0.8 are 500 VA."""
    found = running_draw(Pump(power_factor=0.8), 400.0)
    assert found.va.mid == pytest.approx(500.0)
    assert found.va.low == pytest.approx(found.w.low / 0.8)
    assert found.va.high == pytest.approx(found.w.high / 0.8)


def test_apparent_power_is_the_plates_volts_times_amperes() -> None:
    """115 V x 4 to 6 A: 460 to 690 VA, middle 575 VA."""
    found = running_draw(Pump(rated_voltage_v=115.0, rated_current_a=(4.0, 6.0)), 400.0)
    assert (found.va.low, found.va.mid, found.va.high) == pytest.approx((460.0, 575.0, 690.0))


def test_apparent_power_is_never_less_than_active_power() -> None:
    """A plate of 115 V x 3 A says 345 VA of a pump that was measured at 400 W: the plate is of another pump."""
    found = running_draw(Pump(rated_voltage_v=115.0, rated_current_a=(3.0, 3.0)), 400.0)
    assert found.va.low >= found.w.low
    assert found.va.mid >= found.w.mid
