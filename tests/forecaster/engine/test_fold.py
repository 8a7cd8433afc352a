"""What the fold hands to the models of rain: every millimetre once, in spans that the models are built for."""

from __future__ import annotations

from itertools import pairwise

import pytest

from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Gap
from forecaster.domain.times import HOUR_MS, MINUTE_MS
from forecaster.engine.buffer import ORDER
from forecaster.engine.evidence import FoldOutput, RainSpan
from forecaster.engine.fold import Fold
from tests.forecaster.cellar import START, site

SAVED = (
    "mains_present", "pump_power", "pump_current", "pump_energy", "pump_running", "pit_float", "water_level",
    "high_water", "pack_charge", "pack_input_power", "pack_output_power", "pack_voltage", "pack_temperature",
    "rain_depth", "rain_rate", "load_power",
)  # fmt: skip
"""Snapshots of installations hold readings under the places of their quantities in this row."""


def test_a_quantity_keeps_the_place_under_which_snapshots_hold_its_readings() -> None:
    """A new one comes last, or readings that an older release has saved would become those of another quantity."""
    assert tuple(quantity.value for quantity in ORDER)[: len(SAVED)] == SAVED


@pytest.mark.parametrize("code", range(len(ORDER)), ids=list(ORDER))
def test_the_newest_value_of_every_quantity_is_kept(code: int) -> None:
    """Also of one that tells the models nothing."""
    quantity = ORDER[code]
    fold = Fold.of(site(Quantity.PUMP_POWER, quantity))
    fold.take([(START + n * MINUTE_MS, code, "", START + n * MINUTE_MS, 1.0) for n in range(3)], FoldOutput())
    rhythm = fold.rhythm(quantity, quantity.value)
    assert rhythm is not None
    assert (rhythm.last_ms, rhythm.last_value) == (START + 2 * MINUTE_MS, 1.0)


@pytest.mark.parametrize(("pause_ms", "told"), [(90_001, False), (180_000, False), (180_001, True)])
def test_a_silence_that_the_rhythm_does_not_explain_is_told_as_a_gap(pause_ms: int, told: bool) -> None:
    """Three minutes, before a rhythm is known."""
    fold, output = Fold.of(site(Quantity.PUMP_POWER)), FoldOutput()
    last = START + 2 * MINUTE_MS
    times = [START, START + MINUTE_MS, last, last + pause_ms]
    fold.take([(at_ms, ORDER.index(Quantity.PUMP_POWER), "", at_ms, 0.0) for at_ms in times], output)
    found = [event for event in output.events if isinstance(event, Gap)]
    assert found == ([Gap(fold.site, Quantity.PUMP_POWER, last, last + pause_ms)] if told else [])


def told_of(quantity: Quantity, every_minutes: int, values: list[float]) -> list[RainSpan]:
    """What a fold hands on of values at a cadence."""
    fold, told = Fold.of(site(Quantity.PUMP_POWER, quantity)), FoldOutput()
    times = [START + index * every_minutes * MINUTE_MS for index in range(len(values))]
    code = ORDER.index(quantity)
    fold.take([(at_ms, code, "", at_ms, value) for at_ms, value in zip(times, values, strict=True)], told)
    return [one for one in told.evidence if isinstance(one, RainSpan)]


@pytest.mark.parametrize("every_minutes", [1, 3, 5, 15])
def test_rain_is_handed_on_once_a_quarter_of_an_hour_and_none_is_lost(every_minutes: int) -> None:
    """0.1 mm a minute for three hours: twelve quarters of 1.5 mm, the first with the reading that began it."""
    found = told_of(Quantity.RAIN_DEPTH, every_minutes, [0.1 * every_minutes] * (180 // every_minutes + 1))
    assert len(found) == 12
    assert all(later.start_ms == earlier.stop_ms for earlier, later in pairwise(found))
    assert [one.depth_mm for one in found[1:]] == pytest.approx([1.5] * 11)
    assert found[0].depth_mm == pytest.approx(1.5 + 0.1 * every_minutes)


def test_depths_of_an_hour_are_handed_on_hour_by_hour() -> None:
    found = told_of(Quantity.RAIN_DEPTH, 60, [6.0] * 4)
    assert [(one.stop_ms - one.start_ms) / HOUR_MS for one in found] == [1.0, 1.0, 1.0]


def test_a_rate_is_summed_over_its_time() -> None:
    """Six dry hours, by which the cadence is known; 6 mm/h for three hours are 18 mm."""
    found = told_of(Quantity.RAIN_RATE, 5, [0.0] * 72 + [6.0] * 36 + [0.0] * 12)
    assert sum(one.depth_mm for one in found) == pytest.approx(18.0)
