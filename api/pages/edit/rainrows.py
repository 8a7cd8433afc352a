"""The rows of a rain table as a form shows and takes them: a duration a line, its hours, a colon and its depths."""

from __future__ import annotations

import re
from typing import Any

from collector.config.refused import Refused
from collector.editing.change import plain
from forecaster.texts.catalogue import Said

NUMBER = re.compile(r"\d{1,9}(?:[.,]\d{1,9})?")

BETWEEN = re.compile(r"\s*;\s*|\s*,\s+|\s+")
"""What parts two depths. A comma does so only with a space behind it; without one it is that of a decimal."""


def rows_text(rows: Any) -> str:
    """The rows of the file, one a line; what is no such row in the file is left out, as the check of the file says."""
    if not isinstance(rows, list):
        return ""
    return "\n".join(
        f"{_figure(row.get('hours'))}: {', '.join(map(_figure, row.get('depths') or ()))}"
        for row in rows
        if isinstance(row, dict)
    )


def rain_rows(text: str) -> list[dict[str, Any]]:
    """The rows that a text stands for. Errors: Refused for a line that is none."""
    lines = [(number, line.strip()) for number, line in enumerate(text.splitlines(), 1) if line.strip()]
    return [_row(number, line) for number, line in lines]


def _row(number: int, line: str) -> dict[str, Any]:
    hours, _, depths = line.partition(":")
    written = [hours.strip(), *BETWEEN.split(depths.strip())]
    if not all(NUMBER.fullmatch(one) for one in written):
        raise Refused(Said("edit.no_rain_row", line=number, text=line), Said("edit.no_rain_row_mend"))
    first, *others = (plain(float(one.replace(",", "."))) for one in written)
    return {"hours": first, "depths": others}


def _figure(value: Any) -> str:
    return f"{value:.12g}" if isinstance(value, float) else str(value)
