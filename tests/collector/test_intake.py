"""The commit window, and what commits cost the disk."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.collector import Collector
from collector.config.settings import load_installation
from collector.decode.payload import Decoder
from collector.guard.guard import ChannelGuard
from collector.guard.notes import ChannelNotes
from collector.intake import Intake
from collector.mqtt.wire import Arrived
from collector.store.open import open_ledger, open_store
from collector.store.sqlite import SqliteStore
from collector.store.sqlite_file import connect
from forecaster.domain.errors import ConfigError, StoreRefused
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.readings import Reading
from tests.collector.examples import installation_in
from tests.collector.test_clock import SITE, Client
from tests.contracts.store_contract import power
from tests.scenario import HeldClock
from tests.servers import eventually

PAGE_BYTES, FRAME_HEADER_BYTES = 4096, 24
FRAME_BYTES = PAGE_BYTES + FRAME_HEADER_BYTES


class Belt:
    """A running intake with a window, on real stores."""

    def __init__(self, store: ReadingStore, ledger: Ledger, window_s: float) -> None:
        self.store, self.clock, self.client = store, SystemClock(), Client()
        self.sent = 0
        self.intake = Intake(Decoder([SITE]), store, ledger, self.clock, None, lambda: None, window_s)

    def send(self, value: int) -> None:
        """One message, taken from the queue when this returns."""
        self.sent += 1
        self.intake.put(Arrived("plug", b"%d" % value, False, self.clock.monotonic_s(), value, self.client))
        eventually(lambda: self.intake.waiting() == 0, "the message to be taken")

    def passed(self, at_ms: int) -> bool:
        """Whether the clock is beyond a millisecond: messages of one are one reading."""
        return self.clock.now_ms() > at_ms


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[tuple[ReadingStore, Ledger]]:
    store, ledger = open_store(f"sqlite:///{tmp_path / 'r.db'}"), open_ledger(f"sqlite:///{tmp_path / 'l.db'}")
    yield store, ledger
    store.close()
    ledger.close()


def test_within_the_window_messages_share_a_commit_and_the_end_does_not_lose_them(
    stores: tuple[ReadingStore, Ledger],
) -> None:
    belt = Belt(*stores, window_s=60.0)
    belt.intake.start()
    for value in (1, 2, 3):
        belt.send(value)
    assert belt.store.count() == 0
    assert belt.client.acknowledged == [], "nothing is acknowledged before it is durable"
    belt.intake.stop()
    assert belt.client.acknowledged == [1, 2, 3]
    assert belt.intake.counts.commits == 1
    assert 1 <= belt.store.count() <= 3, "messages of one millisecond are one reading"


def test_a_message_alone_is_committed_when_the_window_has_passed(stores: tuple[ReadingStore, Ledger]) -> None:
    belt = Belt(*stores, window_s=0.3)
    belt.intake.start()
    belt.send(1)
    eventually(lambda: belt.client.acknowledged == [1], "the window's end")
    assert belt.store.count() == 1
    belt.intake.stop()


def test_without_a_window_each_message_is_committed_as_it_comes(stores: tuple[ReadingStore, Ledger]) -> None:
    belt = Belt(*stores, window_s=0.0)
    belt.intake.start()
    for value in (1, 2, 3):
        belt.send(value)
        eventually(lambda: len(belt.client.acknowledged) == belt.sent, "the acknowledgement")
    assert belt.intake.counts.commits == 3
    belt.intake.stop()


def test_facts_of_channels_are_saved_soon_after_a_change_and_every_five_minutes(
    stores: tuple[ReadingStore, Ledger], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Five seconds after the last time at the soonest, and after 300 s in any case."""
    guard, clock, saved = ChannelGuard([SITE]), HeldClock(), list[Mapping[str, str]]()
    monkeypatch.setattr(stores[1], "note_all", saved.append)
    intake = Intake(Decoder([SITE]), *stores, clock, None, lambda: None, guard=guard)
    channel = next(iter(guard._channels.values()))
    turns = [(0.0, True), (4.75, False), (0.25, True), (10.0, False), (289.75, False), (0.25, True)]
    for turn, (seconds, wanted) in enumerate(turns):
        channel.changed = turn in {1, 2}
        clock.move(seconds)
        saved.clear()
        intake.note_channels()
        assert bool(saved) is wanted, turn


def test_of_many_sites_only_the_changed_ones_are_saved_and_each_every_five_minutes() -> None:
    """In: a hundred sites, of which one changes after a minute. Out: all, that one, then the others, then that one."""
    sites = [replace(SITE, id=f"cellar-{number}") for number in range(100)]
    guard = ChannelGuard(sites)
    notes, names = ChannelNotes(guard), {site.id for site in sites}
    assert notes.due(0.0).keys() == names
    guard._channels[next(key for key in guard._channels if key[0] == "cellar-7")].changed = True
    assert notes.due(60.0).keys() == {"cellar-7"}
    assert notes.due(299.0) == {}
    assert notes.due(300.0).keys() == names - {"cellar-7"}
    assert notes.due(360.0).keys() == {"cellar-7"}


def test_what_the_store_never_takes_is_told_apart_from_what_it_takes(
    stores: tuple[ReadingStore, Ledger], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One bad reading among six in a commit: five are stored, every message is acknowledged, one is quarantined."""
    store, ledger = stores
    append = store.append

    def refusing(readings: Iterable[Reading]) -> int:
        batch = list(readings)
        if any(reading.value == 13.0 for reading in batch):
            raise StoreRefused("unlucky")
        return append(batch)

    monkeypatch.setattr(store, "append", refusing)
    belt = Belt(store, ledger, window_s=60.0)
    belt.intake.start()
    for value in (1, 2, 13, 4, 5, 6):
        begun = belt.clock.now_ms()
        belt.send(value)
        eventually(partial(belt.passed, begun), "another millisecond")
    belt.intake.stop()
    assert belt.client.acknowledged == [1, 2, 13, 4, 5, 6]
    assert [reading.value for reading in store.tail(None, 10).readings] == [1.0, 2.0, 4.0, 5.0, 6.0]
    assert [refusal.reason for refusal in ledger.refusals("larkspur", 10)] == ["the store refuses it: unlucky"]


def test_the_window_is_a_setting_and_the_bytes_written_are_told(tmp_path: Path) -> None:
    folder = installation_in(tmp_path / "house")
    assert load_installation(folder).store.commit_window_ms == 0.0
    settings = (folder / "outlast.toml").read_text(encoding="utf-8")
    (folder / "outlast.toml").write_text(f"{settings}\n[store]\ncommit_window_ms = 1000\n", encoding="utf-8")
    installation = load_installation(folder)
    assert installation.store.commit_window_ms == 1000.0
    store, ledger = open_store(installation.readings_url), open_ledger(installation.ledger_url)
    collector = Collector(installation, store, ledger, SystemClock(), lambda: None)
    assert collector._intake._window_s == 1.0
    store.append([power(0, 1.0)])
    (told,) = [row for row in collector.counts() if row[0] == "outlast_store_bytes_written"]
    assert told.kind == "counter"
    assert told.value is not None
    assert told.value == store.health().written_bytes
    assert told.value > 0
    store.close()
    ledger.close()
    (folder / "outlast.toml").write_text(f"{settings}\n[store]\ncommit_window_ms = -1\n", encoding="utf-8")
    with pytest.raises(ConfigError, match="commit_window_ms"):
        load_installation(folder)


@pytest.mark.parametrize("fold_in", [False, True])
def test_bytes_written_are_the_frames_that_the_database_counts_itself(tmp_path: Path, fold_in: bool) -> None:
    """Against PRAGMA wal_checkpoint, which tells how many frames stand in the log."""
    store = SqliteStore(tmp_path / "r.db")
    other = connect(tmp_path / "r.db")
    other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    before, frames, kept = store.health().written_bytes, 0, 0
    assert before == 0
    for start in range(0, 3000, 100):
        store.append([power(i, float(i)) for i in range(start, start + 100)])
        if fold_in:
            frames += other.execute("PRAGMA wal_checkpoint(RESTART)").fetchone()[1]
        else:
            kept = (store.health().wal_bytes or 0) - 32
    assert store.health().written_bytes == (frames * FRAME_BYTES if fold_in else kept)
    assert (store.health().written_bytes or 0) > 30 * FRAME_BYTES
    store.append([power(0, 0.0)])
    other.close()
    store.close()
