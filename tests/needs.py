"""Which servers and system programs a test starts, read from its code, so that nobody marks tests by hand.

A test needs a program when its own function, a fixture that it takes, or a helper under `tests/` that these lead to
names the program. New helpers are found the same way; only a new program has to be added to `PROGRAMS`.
"""

from __future__ import annotations

import inspect
import os
import shutil
import sys
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from pathlib import Path
from types import CodeType, FunctionType, MethodType, ModuleType
from typing import Any

import pytest

PROGRAMS: Mapping[str, str] = {
    "mosquitto": "mosquitto",
    "mosquitto_passwd": "mosquitto",
    "mosquitto_ctrl": "mosquitto",
    "mosquitto_sub": "mosquitto-clients",
    "mosquitto_pub": "mosquitto-clients",
    "mosquitto_rr": "mosquitto-clients",
    "curl": "curl",
    "jq": "jq",
    "influxd": "influxdb",
    "nginx": "nginx-light",
    "postgres": "postgresql",
    "chromium": "chromium",
    "systemd-analyze": "systemd",
    "faketime": "faketime",
    "strace": "strace",
    "prometheus": "prometheus",
    "promtool": "prometheus",
}
"""Program to the Debian package that has it."""

ROOT_ONLY = ("mount", "umount", "unshare")
"""Programs that only root may use as the tests do."""

PLACES = ("/usr/sbin", "/sbin", *map(str, sorted(Path("/usr/lib/postgresql").glob("*/bin"))))
"""Where Debian keeps servers, beside the usual path."""


def installed(program: str) -> bool:
    """Whether this machine has a program."""
    return shutil.which(program, path=os.pathsep.join((os.environ.get("PATH", os.defpath), *PLACES))) is not None


def lacking(programs: set[str]) -> list[str]:
    """What is missing here, one phrase each: packages to install, or root."""
    packages = sorted({PROGRAMS[name] for name in programs & PROGRAMS.keys() if not installed(name)})
    needs_root = bool(programs & set(ROOT_ONLY)) and os.geteuid() != 0
    return packages + (["root"] if needs_root else [])


def programs_of(item: pytest.Item) -> set[str]:
    """The programs that a test starts, those of its fixtures included."""
    if not isinstance(item, pytest.Function):
        return set()
    known = item._fixtureinfo.name2fixturedefs
    functions = [definition.func for definitions in known.values() for definition in definitions]
    return {name for each in (item.function, *functions) for name in _all_named(each)}


@cache
def _all_named(function: Callable[..., Any]) -> frozenset[str]:
    """Programs that a test or a fixture names; asked once, however many examples a test has."""
    return frozenset(_named(function, set()))


def _named(thing: Any, seen: set[int]) -> Iterator[str]:
    """Programs that a function, a class or a module-level value of the tests names, itself or through others."""
    if id(thing) in seen:
        return
    seen.add(id(thing))
    if isinstance(thing, str):
        name = thing.rpartition("/")[2]
        if name in PROGRAMS or name in ROOT_ONLY:
            yield name
    elif isinstance(thing, tuple | list | frozenset):
        for part in thing:
            yield from _named(part, seen)
    elif _is_of_the_tests(thing):
        for code, names in _codes(inspect.unwrap(thing) if callable(thing) else thing):
            yield from _in_code(code, names, seen)


def _is_of_the_tests(thing: Any) -> bool:
    return str(getattr(thing, "__module__", "")).split(".")[0] in {"tests", "conftest"}


def _codes(thing: Any) -> Iterator[tuple[CodeType, Mapping[str, Any]]]:
    """Code and the names that it sees, of a function or of all methods of a class or of an object's class."""
    if isinstance(thing, MethodType):
        thing = thing.__func__
    if isinstance(thing, FunctionType):
        yield thing.__code__, thing.__globals__
        return
    kind = thing if isinstance(thing, type) else type(thing)
    for base in kind.__mro__:
        if _is_of_the_tests(base):
            members: Iterator[Callable[..., Any]] = (
                getattr(member, "fget", None) or getattr(member, "__func__", member) for member in vars(base).values()
            )
            for member in members:
                if isinstance(member, FunctionType):
                    yield member.__code__, member.__globals__


def _in_code(code: CodeType, names: Mapping[str, Any], seen: set[int]) -> Iterator[str]:
    modules = [names]
    for name in code.co_names:
        module = names.get(name, sys.modules.get(name))
        if isinstance(module, ModuleType) and module.__name__.split(".")[0] == "tests":
            modules.append(vars(module))
    for name in code.co_names:
        for module_names in modules:
            if name in module_names:
                yield from _named(module_names[name], seen)
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            yield from _in_code(constant, names, seen)
        else:
            yield from _named(constant, seen)
