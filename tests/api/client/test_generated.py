"""A client that openapi-python-client makes from the description of a running server: whole, and every answer typed.

The generator asks for an older command-line library than the program, so it has an environment of its own, which
`deploy/environment generator` makes from pinned requirements; that fetches packages where it is not there yet.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import typing
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib import import_module
from inspect import signature
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.api.serving import described, write_outage
from tests.engines import ROOT, answers, free_port, wait_until
from tests.faults.test_processes_killed import outlast
from tests.scenario import NOW_MS

pytestmark = [pytest.mark.slow, pytest.mark.servers, pytest.mark.timeout(1800)]

NAME = "generated_outlast"
TOLD = datetime.fromtimestamp(NOW_MS / 1000.0, UTC)
"""When the recorded outage had lasted for an hour."""

STREAM = "/api/v1/stream"  # has no end

NOT_WELL = frozenset({"/readyz", "/healthz"})
"""503 here, and typed as 200 is: nobody makes forecasts for this server."""


@dataclass(frozen=True)
class Made:
    """A running server, its description, the client made from it, and what to ask it with, by the name of a parameter.

    said : str — what the generator printed
    """

    url: str
    description: dict[str, Any]
    said: str
    asked: Mapping[str, Any]

    def client(self) -> Any:
        """A client of this server."""
        return import_module(f"{NAME}.client").Client(base_url=self.url, timeout=300.0)

    def operation(self, method: str, path: str) -> Any:
        """The module of an operation."""
        found = self.description["paths"][path][method]
        return import_module(f"{NAME}.api.{snake(found['tags'][0])}.{snake(found['operationId'])}")

    def gets(self) -> list[str]:
        """The paths of every route that is read."""
        return [path for path, methods in self.description["paths"].items() if "get" in methods]

    def ask(self, function: Callable[..., Any], client: Any, **other: Any) -> Any:
        """Call a generated function with all that it takes and we know."""
        known = {name: value for name, value in self.asked.items() if name in signature(function).parameters}
        return function(client=client, **{**known, **other})


def snake(name: str) -> str:
    """The generator's name of a tag or an operation: `oneSite` is `one_site`."""
    return re.sub(r"[^a-z0-9]+", "_", re.sub(r"(?<=[a-z0-9])([A-Z])", r"_\1", name).lower())


def generator() -> Path:
    """The interpreter of the generator's own environment, which is made where it is missing or old."""
    done = subprocess.run([ROOT / "deploy" / "environment", "generator"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"the generator's environment was not made:\n{done.stderr}"
    return Path(done.stdout.strip())


def generate(description: bytes, place: Path) -> str:
    """Make the client from a server's description. Returns what the generator says."""
    python = generator()
    (place / "openapi.json").write_bytes(description)
    words: list[str | Path] = [
        python, "-m", "openapi_python_client", "generate", "--path", place / "openapi.json", "--meta", "none",
        "--output-path", place / NAME, "--fail-on-warning",
    ]  # fmt: skip
    env = {"PATH": f"{python.parent}:{os.environ['PATH']}", "HOME": str(place), "LANG": "C.UTF-8"}
    done = subprocess.run(words, cwd=place, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


def known(url: str) -> dict[str, Any]:
    """What the routes are asked with."""
    with httpx.Client(base_url=f"{url}/api/v1/", timeout=60.0) as client:
        alarm = client.get("alarms").json()["alarms"][0]["id"]
        link = client.post("sites/larkspur/calendar-links", json={"name": "kitchen"}).raise_for_status().json()
    leave = datetime.now(UTC) + timedelta(days=1)
    quantity = import_module(f"{NAME}.models.quantity").Quantity
    return {
        "site": "larkspur", "id": alarm, "token": link["url"].rpartition("/")[2].removesuffix(".ics"),
        "outage": "latest", "quantity": quantity.PUMP_POWER, "since": TOLD - timedelta(minutes=10),
        "from_": TOLD - timedelta(days=1), "to": TOLD + timedelta(seconds=1),
        "leave": leave, "back": leave + timedelta(days=7),
    }  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Made]:
    """`outlast serve` over a recorded outage, and its client, importable as long as the tests of this module run."""
    folder, place, port = tmp_path_factory.mktemp("house"), tmp_path_factory.mktemp("client"), free_port()
    write_outage(folder)
    (folder / "sites").mkdir()
    described(folder)
    with (folder / "outlast.toml").open("a") as settings:
        settings.write(f"[http]\nport = {port}\n")
    url = f"http://127.0.0.1:{port}"
    with outlast("serve", folder) as process, pytest.MonkeyPatch.context() as patch:
        wait_until(lambda: answers(port) or process.poll() is not None, "the server", 300.0)
        description = httpx.get(f"{url}/openapi.json", timeout=300.0).raise_for_status()
        said = generate(description.content, place)
        patch.syspath_prepend(place)
        yield Made(url, description.json(), said, known(url))
        for module in [name for name in sys.modules if name.partition(".")[0] == NAME]:
            del sys.modules[module]


def types_of(function: Callable[..., Any]) -> tuple[type, ...]:
    """What a generated function says that its answers are."""
    (answer,) = typing.get_args(typing.get_type_hints(function)["return"])
    return typing.get_args(answer) or (answer,)


def test_it_is_made_without_a_word_of_warning(made: Made) -> None:
    """Every operation of the description is a module of the client, and nothing was left out."""
    assert "arning" not in made.said
    for path, methods in made.description["paths"].items():
        for method in methods:
            assert callable(made.operation(method, path).sync_detailed), (method, path)


def test_every_route_that_is_read_gives_what_it_says(made: Made) -> None:
    """In: each GET, with what it needs. Out: read into the type of its own that the client names for it."""
    problem = import_module(f"{NAME}.models.problem").Problem
    wrong = []
    with made.client() as client:
        for path in made.gets():
            if path == STREAM:
                continue
            function = made.operation("get", path).sync_detailed
            kinds = set(types_of(function)) - {problem}
            answer = made.ask(function, client)
            status = 503 if path in NOT_WELL else 200
            if answer.status_code != status or Any in kinds or type(answer.parsed) not in kinds:
                wrong.append(f"{path}: {answer.status_code} {type(answer.parsed)} {answer.content[:300]!r}")
    assert not wrong, "\n".join(wrong)


def test_what_was_read_is_what_was_told(made: Made) -> None:
    """The models write themselves as the server's own JSON again: no field is lost, none is another."""
    with made.client() as client:
        for path in ("/api/v1/sites", "/api/v1/sites/{site}/forecast", "/api/v1/alarms", "/api/v1/sites/{site}/ready"):
            answer = made.ask(made.operation("get", path).sync_detailed, client)
            assert one_zone(json.dumps(answer.parsed.to_dict())) == one_zone(answer.content.decode()), path


def one_zone(text: str) -> Any:
    """A JSON document whose moments are all told in one way: the models write UTC as +00:00."""
    told = re.compile(r'"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|\+00:00))"')
    return json.loads(told.sub(lambda match: json.dumps(datetime.fromisoformat(match[1]).isoformat()), text))


def test_the_first_event_of_the_stream_is_its_state(made: Made) -> None:
    with made.client() as client:
        asked = made.operation("get", STREAM)._get_kwargs(site="larkspur")
        with client.get_httpx_client().stream(**asked) as answer:
            assert answer.status_code == 200
            lines = answer.iter_lines()
            data = next(line for line in lines if line.startswith("data: ")).removeprefix("data: ")
    state = import_module(f"{NAME}.models.state_out").StateOut.from_dict(json.loads(data))
    (site,) = state.sites
    assert site.site == "larkspur"
    assert type(site.forecast).__name__ == "ForecastOut"


def nowhere(made: Made, path: str) -> dict[str, Any]:
    """What the route of a path does not know, or does not take."""
    if "{site}" in path:
        return {"site": "nowhere"}
    if "{id}" in path:
        return {"id": "nowhere:mains-lost:1"}
    if "{token}" in path:
        return {"token": "none"}
    parameters = {one["name"] for one in made.description["paths"][path]["get"].get("parameters", [])}
    return {"limit": -1} if "limit" in parameters else {"site": "nowhere"} if "site" in parameters else {}


def test_every_error_of_a_route_that_is_read_is_typed(made: Made) -> None:
    """What is not there is 404 and a page of minus one 422, and each is the problem document (RFC 9457)."""
    problem = import_module(f"{NAME}.models.problem").Problem
    with made.client() as client:
        for path in made.gets():
            if other := nowhere(made, path):
                answer = made.ask(made.operation("get", path).sync_detailed, client, **other)
                assert answer.status_code == (422 if "limit" in other else 404), (path, answer)
                assert isinstance(answer.parsed, problem), (path, answer)
                assert answer.parsed.status == answer.status_code, path
                assert answer.parsed.title, path


def test_errors_that_few_routes_make_are_typed(made: Made) -> None:
    """401 of a wrong token, 409 of a test while on the pack, 413 of a body too large, 422 with the fields named,
    428 of a change without a stamp: one type for all of them."""
    models = {name: import_module(f"{NAME}.models.{snake(name)}") for name in ("Problem", "DischargePlanIn", "WorkIn")}
    problem, plan, work = (getattr(module, name) for name, module in models.items())
    plan_test = made.operation("post", "/api/v1/sites/{site}/discharge-tests").sync_detailed
    add_work = made.operation("post", "/api/v1/sites/{site}/work").sync_detailed
    remove = made.operation("delete", "/api/v1/sites/{site}/file").sync_detailed
    one_site = made.operation("get", "/api/v1/sites/{site}").sync_detailed
    large = work.from_dict({"kind": "cleaned", "did": "x" * 600_000})
    odd = work.from_dict({"kind": "cleaned", "did": "x" * 6_000})
    stranger = import_module(f"{NAME}.client").AuthenticatedClient(base_url=made.url, token="outlast_no_token")
    with made.client() as client, stranger:
        found = {
            401: one_site(site="larkspur", client=stranger),
            409: plan_test(site="larkspur", client=client, body=plan.from_dict({})),
            413: add_work(site="larkspur", client=client, body=large),
            422: add_work(site="larkspur", client=client, body=odd),
            428: remove(site="larkspur", client=client),
        }
    for status, answer in found.items():
        assert answer.status_code == status, answer
        assert isinstance(answer.parsed, problem), answer
        assert answer.parsed.status == status
    assert found[422].parsed.errors[0]["where"] == "body.did"
