"""The set-up form as the content of a site file, and all that is wrong with it at once, beside its fields."""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from api.pages.houseform import house_in, load_rows
from api.pages.siteform import FormReading, plates_in
from collector.config.site_file import site_faults
from forecaster.domain.errors import ConfigError
from forecaster.texts.catalogue import Said, Words

STAND_INS: Mapping[str, str] = {"name": "x", "id": "x", "timezone": "UTC", "units": "metric"}
NEEDED: Mapping[str, Mapping[str, float]] = {
    "pump": {"rated_voltage_v": 115.0, "rated_power_w": 480.0}, "pack": {"capacity_wh": 1000.0},
}  # fmt: skip
"""What a site file needs: put in place of what is wrong while what is behind it is looked for."""

OF_PUMP = {
    "config.the_voltage_is_missing": "pump.rated_voltage_v",
    "config.current_power_and_horsepower_are_all": "pump.rated_power_w",
    "config.static_head_m_is_not_below": "pump.static_head_m",
}
"""The field that a fault of the whole pump stands beside."""

PLAIN = {
    "config.it_is_missing": ("setup.needed", ""),
    "config.the_voltage_is_missing": ("setup.needed", "115"),
    "config.current_power_and_horsepower_are_all": ("setup.one_power", "480"),
    "config.static_head_m_is_not_below": ("setup.lift", ""),
    "config.both_diameter_m_and_area_m2": ("setup.one_area", ""),
    "config.of_m_is_more_than_any": ("setup.more_than_any", ""),
}
"""What a form says in place of a file's words, and an example of the field where it is another one."""

POWERS = ("pump.rated_power_w", "pump.rated_current_a", "pump.horsepower")
"""Fields of which a pump needs one."""

HEARD = "heard"
"""In place of a field: what was heard on the broker, all of it."""

PASSES = 8


@dataclass(frozen=True, slots=True)
class Filled:
    """What is filled in.

    content : as of a site file, without what could not be read
    reading : what could not be read
    channels : the number in the form of each channel; loads : the row in the form of each load
    """

    content: dict[str, Any]
    reading: FormReading
    channels: tuple[int, ...]
    loads: tuple[int, ...]

    def faults(self, words: Words) -> dict[str, str]:
        """All that is wrong, by the field of the form that it stands beside."""
        found = {name: worded(refused.problem, refused.fix, words) for name, refused in self.reading.unread.items()}
        powered = any(name in found for name in POWERS)
        for fault in _every_fault(self.content):
            field = self._field_of(fault)
            if not (fault.key == "pump" and field in POWERS and powered):  # one was given, and could not be read
                found.setdefault(field, worded(fault.problem, fault.fix, words))
        return found

    def _field_of(self, fault: ConfigError) -> str:
        listed = re.fullmatch(r"(\w+)\[(\d+)\]\.?(.*)", fault.key)
        if listed is not None:
            return self._of_list(listed[1], int(listed[2]), listed[3])
        if fault.key == "pit" and isinstance(fault.problem, Said):
            return f"pit.{fault.problem.values.get('key', 'area_m2')}"
        return HEARD if fault.key == "channels" else _part_of(fault)

    def _of_list(self, section: str, place: int, key: str) -> str:
        if section == "contacts":
            return "email"
        if section == "loads":
            return f"load_{'w' if key == 'watts' else 'name'}{self.loads[place]}"
        return f"{key if key in ('unit', 'of') else 'quantity'}{self.channels[place]}"


def filled(form: Mapping[str, str], channels: Mapping[int, Mapping[str, Any]]) -> Filled:
    """Read a form. channels : the chosen channels, by their number in the form"""
    reading = FormReading()
    content: dict[str, Any] = {**plates_in(form, reading), **house_in(form, reading)}
    content["channels"] = [dict(channel) for channel in channels.values()]
    needed = ("pump", "pack")
    kept = {key: value for key, value in content.items() if key in needed or value not in (None, {}, [])}
    loads = tuple(row.number for row in load_rows(form) if row.name and row.watts)
    return Filled(kept, reading, tuple(channels), loads)


def worded(problem: str, fix: str, words: Words) -> str:
    """A fault in the words of a form: without the name that a key has in the file."""
    if isinstance(problem, Said) and problem.key in PLAIN:
        plain, example = PLAIN[problem.key]
        problem = Said(plain, **problem.values)
        fix = Said("setup.for_example", example=example) if example else fix
    if isinstance(fix, Said) and fix.key == "config.write_for_example":
        fix = Said("setup.for_example", example=str(fix.values["example"]).strip('"'))
    return words("edit.fault", problem=problem, fix=fix)


def _every_fault(content: Mapping[str, Any]) -> Iterator[ConfigError]:
    """All faults of a content: behind each, what only shows once it is mended."""
    tried, seen = copy.deepcopy(dict(content)), set[tuple[str, str]]()
    for _ in range(PASSES):
        fresh = [fault for fault in site_faults(tried, "") if (fault.key, fault.problem) not in seen]
        if not fresh:
            return
        for fault in fresh:
            seen.add((fault.key, fault.problem))
            yield fault
            _mend(tried, _part_of(fault))


def _part_of(fault: ConfigError) -> str:
    """The key that a fault is about, where it stands at a whole section."""
    key = fault.problem.key if isinstance(fault.problem, Said) else ""
    return OF_PUMP.get(key, fault.key)


def _mend(content: dict[str, Any], key: str) -> None:
    """Put stand-ins in place of faulty values, or take them out, so that what is behind them is looked at."""
    section, _, last = key.partition(".")
    listed = re.fullmatch(r"loads\[(\d+)\]\.?(\w*)", key)
    if listed is not None:
        load = content["loads"][int(listed[1])]
        load["watts" if listed[2] == "watts" else "name"] = 1.0 if listed[2] == "watts" else f"load {listed[1]}"
    elif section in STAND_INS:
        content[section] = STAND_INS[section]
    elif section in NEEDED and not last:
        content[section] = dict(NEEDED[section])
    elif section in NEEDED and last in NEEDED[section]:
        content[section] = {**content[section], last: NEEDED[section][last]}
    elif section in NEEDED:
        content[section].pop(last, None)
    elif not section.startswith("channels["):
        content.pop(section.partition("[")[0], None)
