"""No sentence that people read is fixed in a module: all of them stand in the catalogue, in every language.

A text of two words or more in the code is a finding, unless it is one of what is listed here with its reason. Whoever
finds a new one here moves it to forecaster/texts/en.toml and es.toml and asks for it by its key: `Said(key, …)` where
it is raised or kept with its key, `words()(key, …)` where it goes through a store or JSON as an English sentence.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

WORDS = re.compile(r"[A-Za-z]{2,}[,;:.]?\s+[A-Za-z{(]{2,}|\{\}[,;:.]?\s+[a-z]{2,}")
"""Two words, or a blank and a word, with white space between."""

NOT_FOR_READERS = {
    "log.debug": "log lines, for whoever runs the program",
    "log.info": "log lines",
    "log.warning": "log lines",
    "log.error": "log lines",
    "log.exception": "log lines",
    "Field": "the description of the API and of the site file's schema, for programmers",
    "Path": "the description of the API",
    "Header": "the description of the API",
    "Body": "the description of the API",
    "Query": "the description of the API",
    "APIRouter": "the description of the API",
    "Application": "the description of the API",
    "Count": "help of a metric, for whoever draws it",
    "InfoMetricFamily": "help of a metric",
    "_gauge": "help of a metric",
    "TypeError": "a fault of the program itself",
    "FitError": "for the log: a model falls back to what was before",
    "SnapshotError": "for the log: a saved state is folded anew",
    "Response": "headers",
    "re.compile": "a pattern",
}
"""Calls whose texts people who use the program do not read."""

SQL = re.compile(
    r"(\{\})?\s*(SELECT|INSERT|UPDATE|DELETE|CREATE|ALTER|DROP|PRAGMA|BEGIN|WHERE|ORDER|AND|SHOW|SET|VACUUM|TEXT|INTEGER|VARCHAR)\b"
)
MARKUP = re.compile(r"\s*<[a-z!]")
HEADER = re.compile(r"(public|private|text/\w+|attachment|Accept-\w+|\{\}; version)\b.*")

EXCEPT = {
    "api/commands/score_table.py": "the measurement of the forecasts, which the handbook takes over as it is",
    "api/commands/zoo_table.py": "the measurement of the forecasts",
    "forecaster/score": "the measurement of the forecasts, its picture and its report",
    "api/offline/outside": "the outside world: names in the libraries that simulate it, and of its house",
    "forecaster/twin": "the simulated world: names of scenes, and faults of who builds one",
    "forecaster/alarms/table.py": "the rationale of the alarms, generated into the handbook",
    "api/offline/demo.py": "names of the houses of the demonstration",
    "api/http/description.py": "the description of the API",
    "api/http/metrics_sites.py": "help of metrics",
    "collector/collector.py": "help of metrics",
    "collector/config/site_schema.py": "the title of a JSON Schema",
    "collector/config/errors.py": "pydantic's own words, turned into the house's where the catalogue has none",
    "api/helping.py": "typer's own words, to be known again",
    "forecaster/domain/forecast.py": "the description of the API",
    "forecaster/domain/errors.py": "the vocabulary needs no catalogue: `failure` words it for readers",
    "forecaster/sizing/motors.py": "a plate that is no plate: the site file's validator says it before",
    "forecaster/sizing/terms.py": "a fault of the program itself",
    "forecaster/sizing/draw.py": "names of a basis in JSON, for programs",
    "collector/store/ledger_copy.py": "SQL",
    "collector/store/ledger_migrations.py": "SQL",
    "collector/store/ledger_months.py": "SQL",
    "collector/store/ledger_schema.py": "SQL",
    "collector/store/outbox.py": "SQL",
    "collector/store/influx_points.py": "a query",
}
"""Files and rooms whose texts stay, and why."""

NAMED = frozenset({
    "command line", "mail link", "discharge tests", "long record", "attempts failed", "given up", "bracket dot",
    "tick over", "datetime64[ms, UTC]", "outlast alarms preview", "outlast replay", "outlast score", "exit code {}",
    "move to {}", "{} of {}", "const KEPT = {};\n", "{} {} at {}", "outlast study: site {}: {}",
    "site = {} AND quantity = {} AND {} = {}", "{} AND time >= {}ms AND time < {}ms",
    "{} AND time >= {}ms AND time <= {}ms", "Outlast {} ({})",
    "mean first", "picture small",
})  # fmt: skip
"""Names that are kept, classes of a picture, and lines that hold names and figures alone."""


def documented(tree: ast.AST) -> set[ast.AST]:
    """The texts that stand alone as statements: docstrings."""
    return {
        node.value for node in ast.walk(tree) if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }


def texts(tree: ast.AST) -> Iterator[tuple[int, str, list[str]]]:
    """Line, text with {} for its blanks, and the calls around it from the inside out, of every text."""
    above = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
    told = documented(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            text = "".join(str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in told:
            if isinstance(above.get(node), ast.JoinedStr):
                continue
            text = node.value
        else:
            continue
        calls = []
        around = above.get(node)
        while around is not None and not isinstance(around, ast.stmt):
            if isinstance(around, ast.Call):
                calls.append(ast.unparse(around.func))
            around = above.get(around)
        yield getattr(node, "lineno", 0), text, calls


def fixed(source: str) -> list[tuple[int, str]]:
    """The sentences of a module that people would read, with their lines."""
    return [
        (line, text)
        for line, text, calls in texts(ast.parse(source))
        if WORDS.search(text)
        and text not in NAMED
        and not any(pattern.match(text) for pattern in (SQL, MARKUP, HEADER))
        and not any(call in NOT_FOR_READERS for call in calls)
    ]


def excepted(path: str) -> bool:
    return any(path == place or path.startswith(f"{place}/") for place in EXCEPT)


def test_no_sentence_is_fixed_in_a_module() -> None:
    found = []
    for part in ("api", "collector", "forecaster"):
        for file in sorted((ROOT / part).rglob("*.py")):
            path = file.relative_to(ROOT).as_posix()
            if not excepted(path):
                found += [f"{path}:{line}: {text!r}" for line, text in fixed(file.read_text(encoding="utf-8"))]
    assert not found, "to forecaster/texts with it, in every language:\n" + "\n".join(found)


@pytest.mark.parametrize("place", EXCEPT)
def test_what_is_excepted_is_there(place: str) -> None:
    assert (ROOT / place).exists()


@pytest.mark.parametrize(
    ("source", "caught"),
    [
        ('raise UsageError("no such thing", "take another")', 2),
        ('typer.echo(f"{n} rows written")', 1),
        ('x = {"name": "Hours remaining"}', 1),
        ('def f():\n    """Says what it does."""\n    return "it is late"', 1),
        ('raise UsageError(Said("usage.late"), Said("usage.wait", at=f"{a} {b}"))', 0),
        ('log.warning("waiting for the store: %s", error)', 0),
        ('Field(description="How it is written.")', 0),
        ('db.execute("SELECT a FROM b")', 0),
    ],
)
def test_the_search_finds_what_it_should(source: str, caught: int) -> None:
    assert len(fixed(source)) == caught


def test_templates_hold_no_sentence() -> None:
    """What stands between tags comes from the catalogue; scripts get their words from the page."""
    tags = re.compile(r"<(script|style|code)\b.*?</\1>|\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}|<[^>]*>", re.DOTALL)
    found = []
    for folder in (ROOT / "api" / "pages" / "templates", ROOT / "api" / "deliver" / "templates"):
        for file in sorted(folder.glob("*.html")):
            for line, text in enumerate(tags.sub(" ", file.read_text(encoding="utf-8")).split("\n"), 1):
                if re.search(r"[A-Za-z]{2,}\s+[A-Za-z]{2,}", text):
                    found.append(f"{file.name}:{line}: {text.strip()!r}")
    assert not found, "\n".join(found)
