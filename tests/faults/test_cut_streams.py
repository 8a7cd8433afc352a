"""A client of the event stream that is cut and killed at random under load misses no alarm and no supply change."""

from __future__ import annotations

import json
import re
import sys
from contextlib import ExitStack, closing
from pathlib import Path

import pytest

from collector.config.settings import load_installation
from collector.store.open import open_ledger
from forecaster.domain.alarms import AlarmKind, TransitionKind
from forecaster.domain.ports import Ledger
from tests.engines import ROOT, answers, wait_until
from tests.faults.cut_streams import Reader, Street, carried, compared, said_until, settled, site_of, under_load
from tests.faults.lines import line_to
from tests.faults.test_processes_killed import outlast
from tests.servers import Mosquitto, mosquitto

__all__ = ["mosquitto"]


def handbook_program() -> str:
    """The program under "From Python" in the handbook that keeps the last event's id."""
    text = (ROOT / "deploy" / "handbook" / "http.md").read_text()
    (found,) = [
        code for code in re.findall(r"^```python\n(.*?)^```", text, re.DOTALL | re.MULTILINE) if "after=" in code
    ]
    return str(found)


@pytest.mark.timeout(2400)
@pytest.mark.parametrize(
    ("seconds", "every_s", "street"),
    [
        pytest.param(45.0, (1.0, 5.0), Street(6, off_s=(25.0, 35.0), on_s=(3.0, 10.0)), marks=pytest.mark.slow),
        pytest.param(600.0, (1.0, 15.0), Street(40), marks=pytest.mark.long),
    ],
    ids=["short", "ten-minutes"],
)
def test_nothing_is_missed(
    mosquitto: Mosquitto, tmp_path: Path, seconds: float, every_s: tuple[float, float], street: Street
) -> None:
    """In: houses on the mains and off it, blows every few seconds. Out: what the ledger has, the client heard."""
    folder = tmp_path / "house"
    port = street.write(folder, mosquitto)
    with outlast("run", folder) as process, line_to(port) as line, ExitStack() as stack:
        wait_until(lambda: answers(port) or process.poll() is not None, "the process", 300.0)
        reader = Reader(handbook_program().replace("127.0.0.1:8642", f"127.0.0.1:{line.port}"), tmp_path)
        stack.callback(reader.end)
        reader.start()
        wait_until(lambda: b'"state"' in reader.printed.read_bytes(), "the state", 300.0)
        ledger = stack.enter_context(closing(open_ledger(load_installation(folder).ledger_url)))

        def enough() -> bool:
            sites = map(site_of, range(street.houses))
            return sum(len(carried(ledger, site)) - 1 for site in sites) >= street.houses

        under_load(street, mosquitto, reader, line, seconds, every_s, enough)
        settled(port, reader)
        reader.kill()
    with closing(open_ledger(load_installation(folder).ledger_url)) as ledger:
        found = compared(ledger, reader.heard(), street.houses)
    sys.stdout.write(
        f"{street.sent} readings, {line.taken} connections, {reader.kills} kills, {found.transitions} transitions of "
        f"alarms, {found.changes} changes of supply, {found.states} states\n"
    )
    assert (found.missed_transitions, found.missed_changes) == (frozenset(), {})
    assert found.changes >= street.houses
    assert found.transitions > 0
    assert found.states == 1, "the server was never started anew, and knew every id"


@pytest.mark.long
@pytest.mark.timeout(2400)
def test_what_happened_while_nobody_served_or_listened_is_heard(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """In: `serve` is killed, an alarm rises and is over, mains goes and comes; `serve` is back; then the reader is away
    while the mains of another house goes and comes, each return believed after two minutes. Out: all of it is heard,
    in events."""
    street, folder = Street(3, off_s=(1e9, 1e9), on_s=(1e9, 1e9)), tmp_path / "house"
    port = street.write(folder, mosquitto)
    with ExitStack() as stack:
        stack.enter_context(outlast("collect", folder))
        stack.enter_context(outlast("forecast", folder))
        wait_until((folder / "outlast.db").exists, "the ledger", 300.0)
        ledger = stack.enter_context(closing(open_ledger(load_installation(folder).ledger_url)))

        def until_carried(number: int, by: str) -> None:
            said_until(street, mosquitto, lambda: carries(ledger, number) == by, f"{by} at {number}")

        def until_changed(kind: TransitionKind) -> None:
            said_until(street, mosquitto, lambda: kind in happened(ledger, 0), f"an alarm {kind}")

        for number in range(street.houses):
            until_carried(number, "mains")
        reader = Reader(handbook_program().replace("127.0.0.1:8642", f"127.0.0.1:{port}"), tmp_path)
        stack.callback(reader.end)
        with outlast("serve", folder):
            wait_until(lambda: answers(port), "the server", 300.0)
            reader.start()
            said_until(street, mosquitto, lambda: b'["forecast"' in reader.printed.read_bytes(), "a forecast")
        for number in (0, 1):
            street.mains(number, False)
        until_carried(1, "pack")
        until_changed(TransitionKind.RAISED)
        for number in (0, 1):
            street.mains(number, True)
        until_carried(1, "mains")
        until_changed(TransitionKind.CLEARED)
        with outlast("serve", folder):
            wait_until(lambda: answers(port), "the server", 300.0)
            settled(port, reader)
            reader.kill()
            for there, by in ((False, "pack"), (True, "mains")):
                street.mains(2, there)
                until_carried(2, by)
            reader.start()
            settled(port, reader)
            reader.kill()
        found = compared(ledger, reader.heard(), street.houses)
    assert (found.missed_transitions, found.missed_changes) == (frozenset(), {})
    assert (found.transitions >= 2, found.changes >= 6, found.states >= 2) == (True, True, True)


def carries(ledger: Ledger, number: int) -> str | None:
    """Who carries the pump by the newest forecast of a house."""
    stored = ledger.newest([site_of(number)]).get(site_of(number))
    return None if stored is None else str(json.loads(stored.document)["supply"])


def happened(ledger: Ledger, number: int) -> set[TransitionKind]:
    """What has happened to the lost mains of a house."""
    found = ledger.transitions(site_of(number), 0, 2**53)
    return {change.kind for change in found if change.alarm.kind is AlarmKind.MAINS_LOST}
