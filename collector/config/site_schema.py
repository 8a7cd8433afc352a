"""The JSON Schema of a site file, for editors and other programs that write one."""

from __future__ import annotations

from typing import Any

from collector.config.site_model import SiteModel

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def site_schema() -> dict[str, Any]:
    """The schema in the 2020-12 dialect. What it cannot express (valid paths, time zones) `outlast check` checks."""
    schema = SiteModel.model_json_schema(by_alias=True)
    schema["properties"]["pack"] = {"$ref": "#/$defs/PackSection"}
    schema["properties"]["pump"] = {"$ref": "#/$defs/PumpSection"}
    schema["oneOf"] = [{"required": ["pack"]}, {"required": ["packs", "pack_arrangement"]}]
    schema["allOf"] = [{"oneOf": [{"required": ["pump"]}, {"required": ["pumps"]}]}]
    return {"$schema": DIALECT, **schema, "title": "Outlast site file"}
