"""What a ledger of each released version was made with.

`python -m tests.upgrade.ledgers [COMMIT…]` adds the version of this checkout, and those of the commits, each the last
of its version: the description of the tables that a commit has is loaded from git and asked for its statements, on
SQLite and on PostgreSQL. So the test of an older ledger leans on nothing of this build.
"""

from __future__ import annotations

import json
import lzma
import subprocess
import sys
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

from sqlalchemy import Dialect, MetaData, make_url
from sqlalchemy.schema import CreateIndex, CreateTable

from collector.store import ledger_migrations, ledger_schema

KEPT = Path(__file__).parent / "ledgers.json.xz"
SCHEMA = "collector/store/ledger_schema.py"
MIGRATIONS = "collector/store/ledger_migrations.py"
"""Where the migrations are since version 11; before, they stood beside the tables."""

DIALECTS: dict[str, Dialect] = {
    "sqlite": make_url("sqlite://").get_dialect()(),
    "postgresql": make_url("postgresql+psycopg://").get_dialect()(),
}


@cache
def kept() -> dict[str, dict[str, list[str]]]:
    """The statements that make a new ledger, by version and dialect, oldest version first."""
    found: dict[str, dict[str, list[str]]] = json.loads(lzma.decompress(KEPT.read_bytes()))
    return found


def described(commit: str) -> tuple[int, MetaData]:
    """The version and the tables that a commit has."""
    tables = _module(commit, SCHEMA)
    steps = tables if hasattr(tables, "MIGRATIONS") else _module(commit, MIGRATIONS)
    return len(steps.MIGRATIONS), tables.metadata


def _module(commit: str, path: str) -> Any:
    asked = subprocess.run(["git", "show", f"{commit}:{path}"], check=True, capture_output=True, text=True)
    module = ModuleType(f"{Path(path).stem}_{commit}")
    exec(compile(asked.stdout, f"{commit}:{path}", "exec"), vars(module))
    return module


def statements(metadata: MetaData, dialect: Dialect) -> list[str]:
    """What makes all tables with their indexes; a table in partitions has one for all rows."""
    made: list[str] = []
    for table in metadata.sorted_tables:
        made.append(str(CreateTable(table).compile(dialect=dialect)).strip())
        if "PARTITION BY" in made[-1]:
            made.append(f"CREATE TABLE {table.name}_rest PARTITION OF {table.name} DEFAULT")
        indexes = sorted(table.indexes, key=lambda index: str(index.name))
        made.extend(str(CreateIndex(index).compile(dialect=dialect)).strip() for index in indexes)
    return made


def main(commits: list[str]) -> None:
    versions = kept() if KEPT.exists() else {}
    newest = len(ledger_migrations.MIGRATIONS), ledger_schema.metadata
    for version, metadata in (*map(described, commits), newest):
        versions[str(version)] = {name: statements(metadata, dialect) for name, dialect in DIALECTS.items()}
    in_order = dict(sorted(versions.items(), key=lambda each: int(each[0])))
    KEPT.write_bytes(lzma.compress(json.dumps(in_order, indent=1).encode(), preset=9))


if __name__ == "__main__":
    main(sys.argv[1:])
