"""The house's one-way rule: imports run api -> collector -> forecaster -> forecaster.domain, never up.

Within the core `forecaster.live` is the top floor: it alone has a thread and reads the monotonic clock, it talks to
ports, and nothing else of the core imports it.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FLOORS = {"api": 4, "collector": 3, "forecaster.live": 2, "forecaster": 1, "forecaster.domain": 0}
OUTSIDE_THE_CORE = {
    "asyncio", "socket", "ssl", "http", "urllib", "sqlite3", "sqlalchemy", "paho", "httpx", "fastapi",
    "influxdb_client",
    "importlib", "pathlib", "tempfile", "subprocess", "threading", "random", "time",
}  # fmt: skip
LIVE_MAY = {"threading", "time"}
"""What `forecaster.live` may import beyond the rest of the core: a thread of its own, and durations."""

READS_WORDS = "forecaster.texts.catalogue"
"""The one module of the core that may read package data: the catalogue of words."""

MAKES_DECODERS = "forecaster.decoding.typed"
"""The one module of the core with a lock: the library that it wraps may not be entered by two threads at first."""

CLOCKS = {"now", "utcnow", "today", "time", "time_ns", "monotonic", "perf_counter"}


def floor_of(module: str) -> int | None:
    for floor in ("forecaster.domain", "forecaster.live"):
        if module == floor or module.startswith(f"{floor}."):
            return FLOORS[floor]
    return FLOORS.get(module.split(".")[0])


@dataclass(frozen=True, slots=True)
class Read:
    """What the rules of the house ask of a module: it is parsed once for all of them.

    imports : (line, the module named, the names taken from it) of each import, inner ones included
    """

    path: Path
    module: str
    imports: tuple[tuple[int, str, tuple[str, ...]], ...]
    classes: tuple[str, ...]
    lines: int


def read(*packages: str) -> Iterator[Read]:
    """The modules of some packages, in order."""
    for package in packages:
        for path in sorted((ROOT / package).rglob("*.py")):
            yield _read(path)


@cache
def _read(path: Path) -> Read:
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    classes = tuple(node.name for node in tree.body if isinstance(node, ast.ClassDef))
    return Read(path, _module_of(path), tuple(_imports_of(tree)), classes, len(text.splitlines()))


def _module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def _imports_of(tree: ast.AST) -> Iterator[tuple[int, str, tuple[str, ...]]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name, ()) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"relative import on line {node.lineno}: write the whole name"
            yield node.lineno, node.module or "", tuple(alias.name for alias in node.names)


def sources(*packages: str) -> Iterator[tuple[Path, str, ast.AST]]:
    for package in packages:
        for path in sorted((ROOT / package).rglob("*.py")):
            yield path, _module_of(path), ast.parse(path.read_text(encoding="utf-8"))


def test_no_import_goes_up() -> None:
    wrong = []
    for one in read("api", "collector", "forecaster"):
        own = floor_of(one.module)
        assert own is not None
        for line, name, _ in one.imports:
            other = floor_of(name)
            if other is not None and other > own:
                wrong.append(f"{one.path.relative_to(ROOT)}:{line} imports {name}")
    assert not wrong, "\n".join(wrong)


def test_domain_needs_only_the_standard_library() -> None:
    wrong = [
        f"{one.path.relative_to(ROOT)}:{line} imports {name}"
        for one in read("forecaster/domain")
        for line, name, _ in one.imports
        if name.split(".")[0] not in sys.stdlib_module_names and not name.startswith("forecaster.domain")
    ]
    assert not wrong, "\n".join(wrong)


def test_core_has_no_io_and_no_clock_of_its_own() -> None:
    wrong = []
    for path, module, tree in sources("forecaster"):
        live = floor_of(module) == FLOORS["forecaster.live"]
        forbidden = OUTSIDE_THE_CORE - LIVE_MAY if live else OUTSIDE_THE_CORE
        if module == READS_WORDS:
            forbidden = forbidden - {"importlib"}
        if module == MAKES_DECODERS:
            forbidden = forbidden - {"threading"}
        clocks = CLOCKS - {"monotonic"} if live else CLOCKS
        for line, name, _ in _read(path).imports:
            if name.split(".")[0] in forbidden:
                wrong.append(f"{path.relative_to(ROOT)}:{line} imports {name}")
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in {"open", "print"}:
                wrong.append(f"{path.relative_to(ROOT)}:{node.lineno} calls {node.func.id}")
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Attribute)
                and node.func.attr in clocks
                and isinstance(node.func.value, ast.Name)
                and node.func.value.id in {"time", "datetime", "date", "pd"}
            ):
                wrong.append(f"{path.relative_to(ROOT)}:{node.lineno} reads the clock")
    assert not wrong, "\n".join(wrong)


def test_every_floor_has_rooms() -> None:
    """The checks above look at something."""
    for package in ("api", "collector", "forecaster", "forecaster/domain", "forecaster/live"):
        assert any(True for _ in read(package)), package
