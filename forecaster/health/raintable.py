"""The owner's rain table against the pump: its storms, through the pit's answer to rain as it was learnt."""

from __future__ import annotations

from typing import Any

import numpy as np

from forecaster.domain.ports import Ledger
from forecaster.domain.site import RainTable, Site
from forecaster.engine import Engine
from forecaster.engine.packing import unpacked
from forecaster.maths.arrays import Array
from forecaster.maths.noise import normals, uniforms
from forecaster.record.levels import LEAST_YEARS, LevelDraws
from forecaster.water.design import Response, alternating_blocks

YEARS = (2.0, 10.0, 25.0)
"""Return periods of the storms that are told [years]; of a rain table those within its own, or its own."""

WORST_HOURS = (1, 6)

DRAWS, SEED = 400, 29

TABLE_SPREAD = 0.1
"""How a table strays from the place and from the truth: deviation of the natural logarithm. A guess."""

BEYOND_SPREAD = 0.3
"""How a pit's answer to a storm greater than any on record strays from its answer to those: wet ground passes on more,
a full drain less. Deviation of the natural logarithm; this project's own guess."""


def kept_response(site: Site, ledger: Ledger) -> Response | None:
    """How the pit answers rain by the engine's newest checkpoint; None where none is kept, or too little was learnt.

    Errors: StoreError; SnapshotError where the checkpoint cannot be read.
    """
    kept = ledger.checkpoint("engine", site.id)
    return None if kept is None else Engine.restore(site, unpacked(kept.state)).response(DRAWS, SEED)


def table_levels(table: RainTable, response: Response, before: Array) -> dict[int, Array]:
    """Draws of the inflow of a storm's worst 1 and 6 hours, (C, D) for the table's return periods, as shares of what
    the pump lifts.

    before : (N,) — inflow on days of the record, of which each may precede a storm, as such shares
    """
    count = response.gain.shape[0]
    base = before[(uniforms(SEED, count, 1)[:, 0] * before.size).astype(np.intp)]
    stray = np.exp(np.hypot(TABLE_SPREAD, BEYOND_SPREAD) * normals(SEED + 1, count, 1)[:, 0])
    hours, depths_mm = np.array(table.hours), np.array(table.depths_mm)
    storms = [alternating_blocks(hours, column) for column in depths_mm.T]
    return {
        worst: np.array([base + stray * response.worst(blocks, worst) for blocks in storms]) for worst in WORST_HOURS
    }


def told_levels(table: RainTable, levels: dict[int, Array]) -> dict[int, dict[float, Array]]:
    """The same for the return periods that are told, by return period [years]; levels : from `table_levels`"""
    years = np.array(table.years)
    return {worst: {told: _between(years, each, told) for told in _told_years(table)} for worst, each in levels.items()}


def kept_levels(table: RainTable, levels: dict[int, Array], most: int) -> dict[str, Any] | None:
    """About `most` draws of the worst hours, for trips; None for a table of too few return periods."""
    if len(table.years) < LEAST_YEARS:
        return None
    return LevelDraws(np.array(table.years), levels[1]).document(most)


def _told_years(table: RainTable) -> tuple[float, ...]:
    held = tuple(years for years in YEARS if table.years[0] <= years <= table.years[-1])
    return held or table.years


def _between(years: Array, levels: Array, wanted: float) -> Array:
    """Levels (C, D) of the table's return periods (C,) at one between them, (D,): straight over the logarithm."""
    place = np.interp(np.log(wanted), np.log(years), np.arange(years.size, dtype=np.float64))
    low = min(int(place), years.size - 1)
    high = min(low + 1, years.size - 1)
    return np.asarray(levels[low] + (place - low) * (levels[high] - levels[low]), dtype=np.float64)
