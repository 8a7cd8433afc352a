"""Site files of two machines that share a ledger: changes by pages and by hand reach the other, and none is lost."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Any, cast

import pytest

from collector.editing.carrying import BY_HAND, SiteCarrier
from collector.editing.editor import SiteEditor
from collector.editing.keep import SiteText, replace_site, site_path
from collector.store.open import open_ledger
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.ports import Ledger
from tests.collector.examples import LARKSPUR
from tests.scenario import NOW_MS, HeldClock

NAME, CAPACITY = 'name = "Larkspur Lane cellar"', "capacity_wh = 1024"


class Machine:
    """A folder with its carrier, and the editor of its pages."""

    def __init__(self, folder: Path, name: str, ledger: Ledger, clock: HeldClock) -> None:
        (folder / "sites").mkdir(parents=True)
        self.folder, self.clock = folder, clock
        self.path = site_path(folder, "larkspur")
        self.carrier = SiteCarrier(folder, ledger, clock, folder / ".carried.json", name)
        self.editor = SiteEditor(folder, ledger, clock)

    @property
    def text(self) -> str:
        return self.path.read_text(encoding="utf-8") if self.path.exists() else ""

    def by_hand(self, old: str, new: str, *, at_ms: int) -> None:
        """Change the file as somebody with an editor does, at a time."""
        self.path.write_text(self.text.replace(old, new) if old else new, encoding="utf-8")
        os.utime(self.path, ns=(at_ms * 1_000_000, at_ms * 1_000_000))

    def by_page(self, old: str, new: str) -> int:
        """Change the file as a page does. Returns the change's id."""
        known = self.editor.read("larkspur")
        return self.editor._put(known, known.text.replace(old, new), "Ann", "house").id


class Failing:
    """A ledger that is away from a certain call on, counted from 1."""

    def __init__(self, ledger: Ledger, call: int) -> None:
        self._ledger, self._left = ledger, call

    def __getattr__(self, name: str) -> Any:
        self._left -= 1
        if self._left <= 0:
            raise StoreUnavailable("the ledger is away")
        return getattr(self._ledger, name)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with closing(open_ledger(f"sqlite:///{tmp_path / 'ledger.db'}")) as opened:
        yield opened


@pytest.fixture
def pair(tmp_path: Path, ledger: Ledger) -> tuple[Machine, Machine]:
    """Two machines, of which the first has the site; the second gets it from the ledger."""
    clock = HeldClock()
    attic, garage = (Machine(tmp_path / name, name, ledger, clock) for name in ("attic", "garage"))
    attic.by_hand("", LARKSPUR, at_ms=NOW_MS - 60_000)
    settled(attic, garage)
    assert garage.text == LARKSPUR
    return attic, garage


def settled(*machines: Machine) -> None:
    for _ in range(2):
        for machine in machines:
            machine.carrier.once()


def test_changes_by_page_and_by_hand_reach_the_other(pair: tuple[Machine, Machine], ledger: Ledger) -> None:
    attic, garage = pair
    attic.by_page(NAME, 'name = "Lower cellar"')
    settled(attic, garage)
    assert 'name = "Lower cellar"' in garage.text
    garage.by_hand(CAPACITY, "capacity_wh = 2048", at_ms=NOW_MS)
    settled(attic, garage)
    assert attic.text == garage.text
    assert "capacity_wh = 2048" in attic.text
    assert [edit.part for edit in ledger.edits("larkspur")] == [BY_HAND, "house"]
    assert not attic.carrier.troubles()
    assert not garage.carrier.troubles()


def test_a_change_is_taken_back_on_the_other_machine(pair: tuple[Machine, Machine], ledger: Ledger) -> None:
    attic, garage = pair
    number = attic.by_page(NAME, 'name = "Lower cellar"')
    settled(attic, garage)
    garage.editor.undo(ledger.edit(number), who="Ben")
    settled(attic, garage)
    assert attic.text == garage.text == LARKSPUR


@pytest.fixture
def both_had_it(tmp_path: Path, ledger: Ledger) -> tuple[Machine, Machine]:
    """Two machines that each hold the file already, as after a copy by hand; nobody has carried anything yet."""
    clock = HeldClock()
    attic, garage = (Machine(tmp_path / name, name, ledger, clock) for name in ("attic", "garage"))
    for machine in (attic, garage):
        machine.by_hand("", LARKSPUR, at_ms=NOW_MS - 60_000)
    return attic, garage


@pytest.mark.parametrize("first", ["attic", "garage"])
def test_a_change_before_the_first_look_is_one_change(
    both_had_it: tuple[Machine, Machine], ledger: Ledger, first: str
) -> None:
    attic, garage = both_had_it
    attic.by_page(NAME, 'name = "Lower cellar"')
    settled(*(both_had_it if first == "attic" else (garage, attic)))
    assert attic.text == garage.text == LARKSPUR.replace(NAME, 'name = "Lower cellar"')
    assert [edit.part for edit in ledger.edits("larkspur")] == ["house"]
    assert not [*attic.carrier.troubles(), *garage.carrier.troubles()]


def test_who_looked_before_another_wrote_does_not_overwrite_it(
    both_had_it: tuple[Machine, Machine], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both find the ledger empty; the garage is slower, and the attic has given a changed file meanwhile."""
    attic, garage = both_had_it
    looked = type(garage.carrier)._shared

    def then_the_other(carrier: SiteCarrier) -> object:
        found = looked(carrier)
        monkeypatch.setattr(SiteCarrier, "_shared", looked)
        attic.by_page(NAME, 'name = "Lower cellar"')
        attic.carrier.once()
        return found

    monkeypatch.setattr(SiteCarrier, "_shared", then_the_other)
    garage.carrier.once()
    settled(attic, garage)
    assert attic.text == garage.text == LARKSPUR.replace(NAME, 'name = "Lower cellar"')


def test_changes_of_different_lines_are_joined(pair: tuple[Machine, Machine]) -> None:
    attic, garage = pair
    attic.by_page(NAME, 'name = "Lower cellar"')
    garage.by_hand(CAPACITY, "capacity_wh = 2048", at_ms=NOW_MS)
    settled(attic, garage)
    assert (
        attic.text
        == garage.text
        == LARKSPUR.replace(NAME, 'name = "Lower cellar"').replace(CAPACITY, "capacity_wh = 2048")
    )


@pytest.mark.parametrize(("later_ms", "stands"), [(60_000, "2048"), (-60_000, "512")])
def test_of_the_same_lines_the_later_change_stands_and_the_other_is_kept(
    pair: tuple[Machine, Machine], ledger: Ledger, later_ms: int, stands: str
) -> None:
    attic, garage = pair
    attic.by_page(CAPACITY, "capacity_wh = 512")
    garage.by_hand(CAPACITY, "capacity_wh = 2048", at_ms=NOW_MS + later_ms)
    settled(attic, garage)
    assert attic.text == garage.text == LARKSPUR.replace(CAPACITY, f"capacity_wh = {stands}")
    (told,) = garage.carrier.troubles()
    assert "attic" in told
    kept = {text for edit in ledger.edits("larkspur") for text in (edit.before, edit.after)}
    assert {LARKSPUR.replace(CAPACITY, f"capacity_wh = {wh}") for wh in (512, 2048)} <= kept


def test_a_file_with_faults_is_not_carried_before_it_is_mended(pair: tuple[Machine, Machine]) -> None:
    attic, garage = pair
    for broken in ("capacity_wh = -3", "capacity_wh = "):
        garage.by_hand("", LARKSPUR.replace(CAPACITY, broken), at_ms=NOW_MS)
        settled(attic, garage)
        assert attic.text == LARKSPUR
    garage.path.write_bytes(b"\xff\xfe")
    settled(attic, garage)
    assert attic.text == LARKSPUR
    garage.by_hand("", LARKSPUR.replace(CAPACITY, "capacity_wh = 2048"), at_ms=NOW_MS)
    settled(attic, garage)
    assert "capacity_wh = 2048" in attic.text


def test_a_new_file_with_faults_stays_where_it_is_before_it_is_mended(pair: tuple[Machine, Machine]) -> None:
    """One whose channel alone is at fault is used without it, and is carried."""
    attic, garage = pair
    mine, theirs = site_path(attic.folder, "second"), site_path(garage.folder, "second")
    good = LARKSPUR.replace('id = "larkspur"', 'id = "second"')
    for broken in (good.replace(CAPACITY, "capacity_wh = -3"), LARKSPUR, "id = ", ""):
        mine.write_text(broken, encoding="utf-8")
        settled(attic, garage)
        assert not theirs.exists()
    usable = good.replace('unit = "mm"', 'unit = "miles"')
    assert usable != good
    mine.write_text(usable, encoding="utf-8")
    settled(attic, garage)
    assert theirs.read_text(encoding="utf-8") == usable


def test_a_file_that_cannot_be_read_holds_up_no_other(
    pair: tuple[Machine, Machine], caplog: pytest.LogCaptureFixture
) -> None:
    """In: names that an editor or a lost disk left, and a folder where a file should be. Out: told once."""
    attic, garage = pair
    for name in (".#larkspur.toml", "aside.toml"):
        (attic.path.parent / name).symlink_to("ann@attic.1234:5678")
    site_path(attic.folder, "folder").mkdir()
    site_path(attic.folder, "latin").write_bytes(b'name = "M\xfcller"')
    attic.by_page(NAME, 'name = "Lower cellar"')
    settled(attic, garage)
    assert garage.text == LARKSPUR.replace(NAME, 'name = "Lower cellar"')
    told = [record.getMessage() for record in caplog.records if "not carried for now" in record.getMessage()]
    assert len(told) == 2
    assert "site folder" in told[0]
    assert "site latin" in told[1]


class Counted:
    """A ledger that counts the calls of each method."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger, self.calls = ledger, Counter[str]()

    def __getattr__(self, name: str) -> Any:
        self.calls[name] += 1
        return getattr(self._ledger, name)


def test_a_first_start_puts_many_files_into_the_ledger_at_a_time(tmp_path: Path, ledger: Ledger) -> None:
    """In: 520 files, one of them with faults. Out: all others in three transactions, and a second machine has them."""
    clock, counted = HeldClock(), Counted(ledger)
    attic = Machine(tmp_path / "attic", "attic", cast(Ledger, counted), clock)
    for number in range(520):
        text = LARKSPUR.replace('id = "larkspur"', f'id = "site-{number}"')
        site_path(attic.folder, f"site-{number}").write_text(text if number else "id = ", encoding="utf-8")
    attic.carrier.once()
    assert (counted.calls["note_new"], counted.calls["note_after"]) == (3, 0)
    attic.carrier.once()
    shed = Machine(tmp_path / "shed", "shed", ledger, clock)
    settled(shed)
    names = {path.stem for path in (shed.folder / "sites").glob("*.toml")}
    assert names == {f"site-{number}" for number in range(1, 520)}
    assert not shed.carrier.troubles()
    assert not attic.carrier.troubles()


def test_a_machine_that_comes_later_gets_a_file_that_a_page_has_changed(
    pair: tuple[Machine, Machine], ledger: Ledger, tmp_path: Path
) -> None:
    attic, garage = pair
    attic.by_page(NAME, 'name = "Lower cellar"')
    settled(attic, garage)
    shed = Machine(tmp_path / "shed", "shed", ledger, attic.clock)
    settled(shed)
    assert shed.text == attic.text
    assert not shed.carrier.troubles()


def test_the_same_change_on_both_is_one_change(pair: tuple[Machine, Machine], ledger: Ledger) -> None:
    """In: two changes by pages, and the first of them by hand on the other machine. Out: no change to nothing."""
    attic, garage = pair
    attic.by_page(NAME, 'name = "Lower cellar"')
    attic.by_page(CAPACITY, "capacity_wh = 2048")
    garage.by_hand(NAME, 'name = "Lower cellar"', at_ms=NOW_MS)
    settled(attic, garage)
    assert garage.text == attic.text
    assert "capacity_wh = 2048" in garage.text
    assert [edit.part for edit in ledger.edits("larkspur")] == ["house", "house"]


@pytest.mark.parametrize("at_ms", [NOW_MS - 60_000, NOW_MS + 60_000])
@pytest.mark.parametrize("call", range(1, 9))
def test_a_ledger_that_goes_away_in_the_middle_leaves_nothing_half_done(
    pair: tuple[Machine, Machine], ledger: Ledger, call: int, at_ms: int
) -> None:
    """In: the same line changed on both, by hand, and the ledger gone at each of the calls in turn. Out: one text on
    both, and each of the texts among the changes once."""
    attic, garage = pair
    attic.by_hand(CAPACITY, "capacity_wh = 512", at_ms=NOW_MS)
    attic.carrier.once()
    garage.by_hand(CAPACITY, "capacity_wh = 2048", at_ms=at_ms)
    garage.carrier.ledger = cast(Ledger, Failing(ledger, call))
    with suppress(StoreUnavailable):
        garage.carrier.once()
    garage.carrier.ledger = ledger
    settled(garage, attic)
    stands = 2048 if at_ms > NOW_MS else 512
    assert attic.text == garage.text == LARKSPUR.replace(CAPACITY, f"capacity_wh = {stands}")
    changes = [(edit.before, edit.after) for edit in ledger.edits("larkspur")]
    assert len(changes) == len(set(changes))
    assert LARKSPUR.replace(CAPACITY, "capacity_wh = 2048") in {text for change in changes for text in change}


def test_a_removal_is_carried_but_no_lost_file_and_both_come_back(pair: tuple[Machine, Machine]) -> None:
    attic, garage = pair
    garage.path.unlink()
    settled(attic, garage)
    assert attic.text == LARKSPUR
    assert "larkspur" in garage.carrier.troubles()[0]
    replace_site(garage.folder, SiteText("larkspur", "", ""), LARKSPUR)
    settled(attic, garage)
    removed = attic.editor.remove(attic.editor.read("larkspur"), who="Ann")
    settled(attic, garage)
    assert garage.text == ""
    garage.editor.undo(removed, who="Ben")
    settled(attic, garage)
    assert attic.text == garage.text == LARKSPUR


def test_what_the_machine_last_knew_may_be_lost(pair: tuple[Machine, Machine]) -> None:
    """In: the state of the carrier gone or damaged, and a change on each side. Out: the later one everywhere."""
    attic, garage = pair
    attic.by_page(CAPACITY, "capacity_wh = 512")
    attic.carrier.once()
    (garage.folder / ".carried.json").write_text("{", encoding="utf-8")
    garage.by_hand(CAPACITY, "capacity_wh = 2048", at_ms=NOW_MS + 60_000)
    settled(garage, attic)
    assert attic.text == garage.text == LARKSPUR.replace(CAPACITY, "capacity_wh = 2048")
