"""Stored series of several packs as those of the house."""

from __future__ import annotations

from pathlib import Path

from collector.store.sqlite import SqliteStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.pack.together import HELD_MS, house_charge, house_series
from tests.forecaster.engine.test_several_packs import by_hand

CHARGE, OUTPUT = Quantity.PACK_CHARGE, Quantity.PACK_OUTPUT_POWER


def test_charges_are_weighted_and_powers_add(tmp_path: Path) -> None:
    """By hand, 1000 and 3000 Wh: (40 + 3 x 80) / 4 = 70, (36 + 3 x 80) / 4 = 69; 100 + 300 W, and alone 50 W once the
    other one was not heard for longer than its power counts on."""
    site, store = by_hand(), SqliteStore(tmp_path / "readings.db")
    told = [
        (0, CHARGE, "left", 50.0), (60_000, CHARGE, "right", 80.0), (90_000, CHARGE, "left", 40.0),
        (120_000, CHARGE, "left", 36.0), (60_000, OUTPUT, "right", 300.0), (61_000, OUTPUT, "left", 100.0),
        (61_001 + HELD_MS, OUTPUT, "left", 50.0),
    ]  # fmt: skip
    store.append([Reading(site.id, quantity, at, value, at, of) for at, quantity, of, value in told])
    span = (0, 10 * HELD_MS)
    assert [(p.time_ms, p.mean) for p in house_series(store, site, CHARGE, *span)] == [(90_000, 70.0), (120_000, 69.0)]
    assert [p.mean for p in house_series(store, site, OUTPUT, *span)] == [400.0, 50.0]
    assert house_charge(store, site, 0) == 69.0
    assert house_charge(store, site, 100_000) is None  # not heard of both since
    store.close()
