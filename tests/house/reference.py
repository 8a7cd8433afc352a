"""Writes the reference parts of the handbook from the code: `python -m tests.house.reference`.

A part stands between `<!-- reference: NAME -->` and `<!-- /reference -->` in a file of deploy/handbook; a test holds
every part to what this module makes of the code.
"""

from __future__ import annotations

import ast
import pkgutil
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from importlib import import_module
from typing import Any

from fastapi import FastAPI
from pydantic import BaseModel

import api.http.routes
from api.cli import COMMANDS
from api.deliver.homie import FORECAST
from collector.config import settings, site_model
from forecaster.alarms.table import markdown as alarm_table
from forecaster.domain.quantities import RUN_SOURCES, SPECS
from forecaster.texts.catalogue import words
from tests.house.test_imports import ROOT, sources

HANDBOOK = ROOT / "deploy" / "handbook"
PART = re.compile(r"(<!-- reference: ([a-z-]+) -->\n).*?(<!-- /reference -->)", re.DOTALL)
SITE_SECTIONS: Mapping[str, type[BaseModel]] = {
    (model.__doc__ or "").splitlines()[0].partition(" ")[0]: model
    for model in vars(site_model).values()
    if isinstance(model, type) and issubclass(model, BaseModel) and (model.__doc__ or "").startswith("[")
}
SETTING_SECTIONS: Mapping[str, type[BaseModel]] = {
    (model.__doc__ or "").splitlines()[0].partition(" ")[0]: model
    for model in vars(settings).values()
    if isinstance(model, type)
    and issubclass(model, settings.InstallationSection)
    and (model.__doc__ or "").startswith("[")
}


def table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    """A table in Markdown; a bar inside a cell is escaped."""
    lines = [head, ("---",) * len(head), *rows]
    return "".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |\n" for line in lines)


def fields(model: type[BaseModel]) -> str:
    """The keys of one section: what each takes, what it is when left out, and an example."""
    schema = model.model_json_schema(by_alias=True)
    needed, definitions = schema.get("required", []), schema.get("$defs", {})
    rows = []
    for key, spec in schema.get("properties", {}).items():
        field = next(f for name, f in model.model_fields.items() if (f.alias or name) == key)
        examples = " or ".join(f"`{example}`" for example in field.examples or [])
        left_out = "**needed**" if key in needed else default(spec)
        rows.append((f"`{key}`", takes(spec, definitions), left_out, examples))
    return table(("key", "takes", "left out", "example"), rows)


def default(spec: Mapping[str, Any]) -> str:
    """What a key is when it is left out."""
    value = spec.get("default")
    if value is None or value in ("", [], {}):
        return "–"
    return f"`{number(value)}`" if isinstance(value, float) else f"`{str(value).lower() if value is False else value}`"


def number(value: float) -> str:
    """A bound or a default in figures."""
    return f"{value:,.0f}" if abs(value) >= 1e5 else f"{value:g}"


def takes(spec: Mapping[str, Any], definitions: Mapping[str, Any]) -> str:
    """The kind of value and its bounds, in a few words."""
    if "$ref" in spec:
        return takes(definitions[spec["$ref"].rpartition("/")[2]], definitions)
    if "anyOf" in spec:
        kinds = [takes(one, definitions) for one in spec["anyOf"] if one.get("type") != "null"]
        return " or ".join(dict.fromkeys(kinds))
    if "enum" in spec:
        return "one of " + ", ".join(f"`{word}`" for word in spec["enum"]) if len(spec["enum"]) < 8 else "a name"
    kinds_of = {"number": "number", "integer": "whole number", "boolean": "yes or no", "object": "table"}
    kind = kinds_of.get(str(spec.get("type")), "text")
    if spec.get("type") == "array":
        kind = f"list of {takes(spec.get('items', {}), definitions)}"
    bounds = [
        f"{sign} {number(spec[key])}"
        for key, sign in (("exclusiveMinimum", ">"), ("minimum", "≥"), ("exclusiveMaximum", "<"), ("maximum", "≤"))
        if key in spec
    ]
    return " ".join((kind, ", ".join(bounds))).strip()


def sections(models: Mapping[str, type[BaseModel]]) -> str:
    """All sections of a file, one table each."""
    return "\n".join(f"### `{name}`\n\n{fields(model)}" for name, model in models.items())


def site_keys() -> str:
    """The keys of a site file: those before the first section, then section by section."""
    top = {key for key, spec in site_model.SiteModel.model_json_schema()["properties"].items() if "examples" in spec}
    schema = fields(site_model.SiteModel).splitlines(keepends=True)
    first = "".join(line for line in schema if line.split("`")[1:2] == [] or line.split("`")[1] in top)
    return f"### at the top\n\n{first}\n{sections(SITE_SECTIONS)}"


def quantities() -> str:
    """Every quantity with its unit and what is believed of it."""
    rows = []
    for quantity, spec in SPECS.items():
        runs = "yes" if quantity in RUN_SOURCES else ""
        span = "" if spec.kind.value == "state" else f"{number(spec.low)} to {number(spec.high)}"
        rows.append((f"`{quantity.value}`", spec.unit or "yes or no", spec.kind.value, span, runs))
    return table(("quantity", "stored in", "kind", "believed from, to", "runs are told from it"), rows)


def commands() -> str:
    """The table of commands."""
    rows = [(f"`outlast {name}`", words()(f"command.table.{name}")) for name in COMMANDS]
    return table(("command", "what it does"), rows)


def routes() -> str:
    """Every route of the API with what may be asked of it."""
    app = FastAPI()
    for module in pkgutil.iter_modules(api.http.routes.__path__):
        app.include_router(import_module(f"api.http.routes.{module.name}").router)
    rows = []
    for path, methods in sorted(app.openapi()["paths"].items()):
        for method, told in methods.items():
            asked = ", ".join(f"`{one['name']}`" for one in told.get("parameters", []) if one["in"] == "query")
            first = " ".join((told.get("description") or "").split("\n\n")[0].split())
            rows.append((f"`{method.upper()} {path}`", asked, first))
    return table(("route", "query", "what it gives"), rows)


def metrics() -> str:
    """Every metric that some process can give, found where the code names it."""
    found: dict[str, tuple[str, str]] = {}
    for _, _, tree in sources("api", "collector", "forecaster"):
        for node in ast.walk(tree):
            parts = node.args if isinstance(node, ast.Call) else node.elts if isinstance(node, ast.Tuple) else []
            words = [word for word in map(_text, parts) if word is not None]
            if words and re.fullmatch(r"outlast_[a-z_<>]+", words[0]) and len(words) > 1:
                kind = "counter" if "counter" in words else "gauge"
                said = next((word for word in words[1:] if " " in word), "")
                if said or kind == "counter" or words[1] == "gauge":
                    found[words[0] + ("_total" if kind == "counter" else "")] = (kind, said or _help_before(tree, node))
    return table(("metric", "type", "what it tells"), [(f"`{name}`", *told) for name, told in sorted(found.items())])


def _text(node: ast.expr) -> str | None:
    """A string as written; what is filled in stands as <name>."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(
            str(part.value) if isinstance(part, ast.Constant) else f"<{ast.unparse(part).strip('{}f').split('.')[-1]}>"
            for part in node.values
        )
    return None


def _help_before(tree: ast.AST, node: ast.AST) -> str:
    """The help text that was named on the line before, where the call would have been too long."""
    line = getattr(node, "lineno", 0)
    for each in ast.walk(tree):
        if isinstance(each, ast.Assign) and 0 <= line - each.lineno <= 2 and isinstance(each.value, ast.Constant):
            return str(each.value.value)
    return ""


def homie() -> str:
    """The properties of the node `forecast` of a site's Homie device."""
    rows = [
        (f"`{name}`", str(spec["datatype"]), str(spec.get("unit", "")), words()(f"homie.{name}"))
        for name, spec, _ in FORECAST
    ]
    return table(("property", "datatype", "unit", "name"), rows)


PARTS: Mapping[str, Callable[[], str]] = {
    "site-keys": site_keys,
    "settings": lambda: sections(SETTING_SECTIONS),
    "quantities": quantities,
    "alarms": alarm_table,
    "commands": commands,
    "routes": routes,
    "metrics": metrics,
    "homie": homie,
}
"""Name of a part to what makes it."""


def renewed(text: str) -> str:
    """A file of the handbook with every reference part made anew."""
    return PART.sub(lambda found: f"{found[1]}\n{PARTS[found[2]]().strip()}\n\n{found[3]}", text)


def pages() -> Iterator[tuple[str, str]]:
    """(file name, text) of the handbook."""
    for path in sorted(HANDBOOK.glob("*.md")):
        yield path.name, path.read_text(encoding="utf-8")


if __name__ == "__main__":
    for name, text in pages():
        (HANDBOOK / name).write_text(renewed(text), encoding="utf-8")
