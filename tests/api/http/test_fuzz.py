"""Every route fuzzed from its own description, by every check of schemathesis: whatever is asked, no 5xx; answers with
a status, a type and a form that are described; nothing taken that the description forbids.

Not so that what it allows is always taken (`positive_data_acceptance`): a cursor that no page gave, a house without a
pump or an address that is none are 422, which is described, and no schema tells them.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from tests.api.serving import LOOPBACK, described, serving

if TYPE_CHECKING:
    from schemathesis import Case, GenerationMode

STREAM = "/api/v1/stream"  # has no end
OF_A_CHILD = ("/report", "/export")
"""Each answer of these is made by a process of its own: they are asked less often."""

HEADERS = {"Host": "127.0.0.1"}


def fuzz(operation: Any, mode: GenerationMode, examples: int) -> None:
    """Ask an operation with what its description allows, or with what it forbids."""
    from schemathesis.specs.openapi.checks import positive_data_acceptance

    @given(case=operation.as_strategy(generation_mode=mode))
    @settings(
        max_examples=examples, deadline=None, derandomize=True, database=None,
        phases=(Phase.explicit, Phase.generate), suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    def ask(case: Case[Any]) -> None:
        response = case.call(base_url=LOOPBACK, headers=HEADERS)
        case.validate_response(response, excluded_checks=[positive_data_acceptance], headers=HEADERS)

    ask()


@pytest.mark.slow
def test_no_route_fails_whatever_is_asked(tmp_path: Path) -> None:
    import schemathesis  # takes a while to load, which no other test is to wait for
    from schemathesis import GenerationMode
    from schemathesis.core.result import Ok

    fuzzed = []
    with serving(tmp_path) as (client, _):
        described(tmp_path)
        schema = schemathesis.openapi.from_asgi("/openapi.json", client.app, headers=HEADERS)
        for result in schema.get_all_operations():
            assert isinstance(result, Ok)
            operation = result.ok()
            if operation.path == STREAM:
                continue
            fuzz(operation, GenerationMode.POSITIVE, 3 if operation.path.endswith(OF_A_CHILD) else 15)
            if operation.body or any(operation.iter_parameters()):
                fuzz(operation, GenerationMode.NEGATIVE, 10)
            fuzzed.append(operation.label)
        described_routes = sum(map(len, client.get("/openapi.json").json()["paths"].values()))
    assert len(fuzzed) == described_routes - 1, "all but the stream"
