"""Modules of the core by name, by file, and loaded from another code than that of their file."""

from __future__ import annotations

import importlib.abc
import importlib.machinery
import importlib.util
from collections.abc import Mapping
from pathlib import Path
from types import CodeType, ModuleType

ROOT = Path(__file__).resolve().parents[2]


def module_of(path: Path) -> str:
    """The dotted name of a module's file."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def file_of(module: str) -> Path:
    """The file of a module."""
    path = ROOT / Path(*module.split(".")).with_suffix(".py")
    return path if path.exists() else ROOT / Path(*module.split(".")) / "__init__.py"


class Instead(importlib.abc.MetaPathFinder):
    """Finds some modules as they are changed, and leaves all others to the usual finders.

    codes : mapping of str to CodeType — what is run instead, by the module's name
    known : mapping of str to object — names that each of these modules sees from its first line on
    """

    def __init__(self, codes: Mapping[str, CodeType], known: Mapping[str, object]) -> None:
        self._codes, self._known = codes, known

    def find_spec(self, fullname: str, *_where: object) -> importlib.machinery.ModuleSpec | None:
        """The module's spec, where it is one of them."""
        if fullname not in self._codes:
            return None
        file = file_of(fullname)
        inside = [str(file.parent)] if file.name == "__init__.py" else None
        loader = _Loader(fullname, str(file), self._codes, self._known)
        return importlib.util.spec_from_file_location(fullname, file, loader=loader, submodule_search_locations=inside)


class _Loader(importlib.machinery.SourceFileLoader):
    """Loads a module from a given code, and what lies beside it from its folder."""

    def __init__(self, fullname: str, path: str, codes: Mapping[str, CodeType], known: Mapping[str, object]) -> None:
        super().__init__(fullname, path)
        self._codes, self._known = codes, known

    def get_code(self, fullname: str) -> CodeType:
        """The given code, whatever the file says."""
        return self._codes[fullname]

    def exec_module(self, module: ModuleType) -> None:
        """Run it, after what it is to know."""
        vars(module).update(self._known)
        super().exec_module(module)
