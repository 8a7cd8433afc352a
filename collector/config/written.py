"""Numbers and marks as people write them: 1/3, ⅓, 1 1/2, 18", 6', 20 C."""

from __future__ import annotations

import math
import re
import unicodedata

from collector.config.refused import Refused
from collector.decode.units import conversion
from forecaster.texts.catalogue import Said

MARKS = {
    '"': "inch", "”": "inch", "″": "inch", "'": "foot", "’": "foot", "′": "foot", "C": "degC", "°C": "degC",
    "F": "degF", "°F": "degF", "°": "degC", "%": "percent", "AWG": "", "m²": "m**2",
}  # fmt: skip
"""Unit marks as written on tools, plates and thermometers, with pint's spelling."""


def figure_and_unit(text: str) -> tuple[float, str] | None:
    """The number at the beginning of a text and the rest of it; None where there is no number."""
    plain = re.fullmatch(r"\s*([+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?)\s*([^\d\s/⁄¼½¾⅐-⅞.,+-].*?)?\s*", text)
    if plain is not None:
        value = float(plain[1].replace(",", "."))
        return (value, plain[2] or "") if math.isfinite(value) else None
    bare = re.fullmatch(r"\s*([+-]?)(?:(\d+)[\s-]+)?(\d+)\s*[/⁄]\s*(\d+)\s*([^\d\s].*?)?\s*", text)
    mark = re.fullmatch(r"\s*([+-]?)(\d+)?\s*([¼½¾⅐-⅞])\s*([^\d\s].*?)?\s*", text)
    if bare is not None and int(bare[4]):
        value, sign, unit = int(bare[2] or 0) + int(bare[3]) / int(bare[4]), bare[1], bare[5]
    elif mark is not None:
        value, sign, unit = int(mark[2] or 0) + unicodedata.numeric(mark[3]), mark[1], mark[4]
    else:
        return None
    return (-value if sign == "-" else value), unit or ""


def written(text: str, unit: str) -> float:
    """A number in a unit (pint's spelling, "" for a bare one). ValueError naming what could not be read."""
    found = figure_and_unit(text)
    if found is None:
        raise Refused(Said("config.is_not_a_number", text=text), Said("config.write_it_as_12_5_or"))
    value, own = found
    spelt = MARKS.get(own, own)
    if not spelt or spelt == unit:
        return value
    how = conversion(spelt, unit) if unit else None
    if how is None:
        raise Refused(
            Said("config.is_not_a_unit_of_this", own=own),
            Said("config.leave_it_out_or_write", value=unit or Said("usage.a_number_alone")),
        )
    return float(round(value * how.scale + how.offset, 9))


UNITS = {
    "_l_per_min": "L/min", "_percent": "percent", "_wh": "Wh", "_va": "VA", "_m2": "m**2", "_w": "W", "_v": "V",
    "_a": "A", "_s": "s", "_m": "m", "_hz": "Hz", "horsepower": "hp",
}  # fmt: skip
"""The unit of a site file's key by its ending, the longest first."""


def as_number(key: str, value: object) -> object:
    """A figure from a nameplate: a text with a fraction or a mark becomes a number in the key's unit, others stay.

    A plain number in quotes stays a text, which is refused where a number is required.
    """
    if not isinstance(value, str):
        return value
    unit = next((unit for end, unit in UNITS.items() if key.endswith(end)), None)
    found = figure_and_unit(value)
    fraction = found is not None and re.search(r"[/⁄¼½¾⅐-⅞]", value) is not None
    if unit is None or found is None or not (fraction or found[1]):
        return value
    return written(value, unit)
