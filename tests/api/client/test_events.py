"""The client of the event stream over a line that is cut: nothing is missed, and nothing is told twice."""

from __future__ import annotations

import itertools
import random
import shutil
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import msgspec
import pytest

from api.client import ApiClient, ClientError, Event, events
from api.http.stream import StreamKind
from forecaster.twin.live import larkspur_site
from tests.browser.serving import serving
from tests.engines import wait_until
from tests.faults.lines import Line, line_to
from tests.scenario import services

pytestmark = pytest.mark.timeout(600)

ALARMS, CUTS = 400, 12


@pytest.fixture(autouse=True)
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A client that comes back soon."""
    monkeypatch.setattr(events, "RETRY_S", (0.02, 0.1))


@pytest.fixture
def folder(larkspur_folder: Path, tmp_path: Path) -> Path:
    place = tmp_path / "house"
    shutil.copytree(larkspur_folder, place)
    return place


def numbers(heard: Iterator[Event], last: int) -> list[int]:
    """The numbers of the alarms, up to the last one."""
    found = []
    for event in heard:
        if event.kind == "alarm":
            found.append(event.data["number"])
            if found[-1] == last:
                return found
    raise AssertionError("the stream ended")


def test_a_client_that_is_cut_misses_nothing(folder: Path) -> None:
    """In: 400 alarms among readings, while the line is cut a dozen times. Out: each alarm once, in their order."""
    chance = random.Random(7)
    with closing(services(folder, {"larkspur": larkspur_site()})) as held, serving(held) as served:
        port = int(served.url.rpartition(":")[2])
        with line_to(port) as line, ApiClient(f"http://127.0.0.1:{line.port}") as outlast:
            heard = outlast.events("larkspur", [StreamKind.ALARM])
            assert next(heard).kind == "state"
            teller = threading.Thread(target=tell, args=(held.hub.publish, line, chance))
            teller.start()
            assert numbers(heard, ALARMS) == list(range(1, ALARMS + 1))
            teller.join()
            assert line.taken > CUTS


def tell(publish: Callable[[StreamKind, str, str], None], line: Line, chance: random.Random) -> None:
    """Publish the alarms; at random moments between them the line is cut, and the client comes back before the next."""
    cuts = set(chance.sample(range(2, ALARMS), CUTS))
    for number in range(1, ALARMS + 1):
        publish(StreamKind.READING, "larkspur", "{}")
        publish(StreamKind.ALARM, "larkspur", msgspec.json.encode({"number": number}).decode())
        if number in cuts:
            comes_back(line)


def comes_back(line: Line) -> None:
    """Cut the line, and wait until the client has connected again."""
    before = line.taken
    line.cut()
    wait_until(lambda: line.taken > before, "the client to come back", 60.0)


def test_a_server_that_is_started_anew_sends_the_state(folder: Path) -> None:
    """In: a server that ends and another on the same port. Out: its state first, then what happens there."""
    with closing(services(folder, {"larkspur": larkspur_site()})) as held, serving(held) as served:
        port = int(served.url.rpartition(":")[2])
        outlast = ApiClient(served.url)
        heard = outlast.events(kinds=[StreamKind.ALARM])
        assert next(heard).data["sites"][0]["site"] == "larkspur"
    with closing(services(folder, {"larkspur": larkspur_site()})) as held, serving(held, port), closing(outlast):
        wait_until(lambda: held.hub.clients == 1 or _asks(heard), "the client to come back", 60.0)
        held.hub.publish(StreamKind.ALARM, "larkspur", '{"number": 1}')
        assert numbers(heard, 1) == [1]


def _asks(heard: Iterator[Event]) -> bool:
    return next(heard).kind == "state"


def test_an_unknown_site_is_refused_and_not_tried_again(folder: Path) -> None:
    with (
        closing(services(folder, {"larkspur": larkspur_site()})) as held,
        serving(held) as served,
        ApiClient(served.url) as outlast,
        pytest.raises(ClientError, match="404"),
    ):
        next(itertools.islice(outlast.events("elsewhere"), 1))
