"""[rain_table]: the local depth-duration-frequency table, as a rainfall service publishes it."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from pydantic import Field

from collector.config.sections import Section
from collector.decode.units import conversion, hint
from forecaster.domain.errors import ConfigError
from forecaster.domain.site import RainTable
from forecaster.texts.catalogue import Said

WORLD_1H_MM, WORLD_POWER = 421.6, 0.475
"""The greatest rain ever measured in so many hours is about WORLD_1H_MM times their WORLD_POWER (Jennings 1950; from
memory) [mm]."""

MOST_OF_WORLD, LEAST_OF_WORLD = 0.5, 0.006
"""Depths of a table lie between these shares of it: from a desert's two years to a wet coast's thousand. Outside is a
slip of unit. This project's own choice."""


class RainRowSection(Section):
    """[[rain_table.rows]]"""

    hours: float = Field(ge=0.25, le=240, examples=["1"])
    depths: list[float] = Field(min_length=1, max_length=12, examples=["[31, 45, 53]"])


class RainTableSection(Section):
    """[rain_table]"""

    unit: str = Field(default="mm", max_length=40, examples=['"mm"'])
    years: list[float] = Field(min_length=1, max_length=12, examples=["[2, 10, 25]"])
    rows: list[RainRowSection] = Field(min_length=1, max_length=24)


def rain_table(section: RainTableSection | None, file: str) -> RainTable | None:
    """The table in millimetres. ConfigError where it is no such table, or where its figures look like another unit."""
    if section is None:
        return None
    scale = conversion(section.unit, "mm")
    if scale is None:
        problem = Said("config.does_not_convert_to_mm", unit=section.unit)
        raise ConfigError(file, "rain_table.unit", problem, hint(section.unit, "mm"))
    if any(not 1.0 <= year <= 1000.0 for year in section.years):
        raise _wrong(file, "years", "years_of_a_table", "write_the_years_of_its_head")
    if any(second <= first for first, second in pairwise(section.years)):
        raise _wrong(file, "years", "do_not_rise", "write_them_in_rising_order")
    hours = [row.hours for row in section.rows]
    if any(second <= first for first, second in pairwise(hours)):
        raise _wrong(file, "rows", "hours_do_not_rise", "write_rows_in_rising_order")
    depths = [tuple(round(depth * scale.scale + scale.offset, 6) for depth in row.depths) for row in section.rows]
    for place, row in enumerate(depths):
        _check_row(place, row, section, file)
        if place and any(lower <= upper for upper, lower in zip(depths[place - 1], row, strict=True)):
            raise _wrong(file, f"rows[{place}].depths", "longer_rain_is_not_deeper", "compare_the_row_with_the_table")
    return RainTable(tuple(section.years), tuple(hours), tuple(depths))


def rain_table_toml(table: RainTable) -> dict[str, Any]:
    """The section as it is written, in millimetres."""
    rows = [{"hours": hours, "depths": list(row)} for hours, row in zip(table.hours, table.depths_mm, strict=True)]
    return {"unit": "mm", "years": list(table.years), "rows": rows}


def _check_row(place: int, depths_mm: tuple[float, ...], section: RainTableSection, file: str) -> None:
    key, hours = f"rows[{place}].depths", section.rows[place].hours
    if len(depths_mm) != len(section.years):
        raise _wrong(
            file, key, "depths_for_years", "give_a_depth_for_each", depths=len(depths_mm), years=len(section.years)
        )
    world_mm = WORLD_1H_MM * hours**WORLD_POWER
    for column, depth_mm in enumerate(depths_mm):
        if not LEAST_OF_WORLD * world_mm <= depth_mm <= MOST_OF_WORLD * world_mm:
            given = section.rows[place].depths[column]
            raise _wrong(
                file, f"{key}[{column}]", "is_no_such_rain", "look_at_the_unit_of_the_table", depth=given,
                unit=section.unit, hours=hours, inch=25.4 * given, mm=given / 25.4,
            )  # fmt: skip
    if any(second <= first for first, second in pairwise(depths_mm)):
        raise _wrong(file, key, "rarer_rain_is_not_deeper", "compare_the_row_with_the_table")


def _wrong(file: str, key: str, problem: str, fix: str, **values: Any) -> ConfigError:
    return ConfigError(
        file, f"rain_table.{key}", Said(f"config.rain_table_{problem}", **values),
        Said(f"config.rain_table_{fix}", **values),
    )  # fmt: skip
