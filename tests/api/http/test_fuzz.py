"""Every route fuzzed from its own description: whatever is asked, no 5xx, and answers as described (schemathesis)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.core.result import Ok
from schemathesis.specs.openapi.checks import response_schema_conformance

from tests.api.serving import LOOPBACK, described, serving

STREAM = "/api/v1/stream"  # has no end
OF_A_CHILD = ("/report", "/export")
"""Each answer of these is made by a process of its own: they are asked less often."""


@pytest.mark.slow
def test_no_route_fails_whatever_is_asked(tmp_path: Path) -> None:
    fuzzed = []
    with serving(tmp_path) as (client, _):
        described(tmp_path)
        schema = schemathesis.openapi.from_asgi("/openapi.json", client.app, headers={"Host": "127.0.0.1"})
        for result in schema.get_all_operations():
            assert isinstance(result, Ok)
            operation = result.ok()
            if operation.path == STREAM:
                continue

            @given(case=operation.as_strategy())
            @settings(
                max_examples=3 if operation.path.endswith(OF_A_CHILD) else 15,
                deadline=None, derandomize=True, database=None,
                phases=(Phase.explicit, Phase.generate), suppress_health_check=list(HealthCheck),
            )  # fmt: skip
            def ask(case: schemathesis.Case[Any]) -> None:
                response = case.call(base_url=LOOPBACK, headers={"Host": "127.0.0.1"})
                case.validate_response(response, checks=[not_a_server_error, response_schema_conformance])

            ask()
            fuzzed.append(operation.label)
    assert len(fuzzed) >= 15, fuzzed
