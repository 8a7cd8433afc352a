"""The JSON Schema of a site file, for editors and other programs that write one."""

from __future__ import annotations

from typing import Any

from collector.config.site_model import SiteModel

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def site_schema() -> dict[str, Any]:
    """The schema in the dialect of 2020-12; what it cannot say (a path that parses, a zone) `outlast check` says."""
    return {"$schema": DIALECT, **SiteModel.model_json_schema(by_alias=True), "title": "Outlast site file"}
