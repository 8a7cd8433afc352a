"""Carries site files between machines: each has a folder of its own, the ledger that they share has the newest text.

Files stay the truth on each machine. What changes in one, by a page or by hand, is put into the ledger, and the others
write it into theirs. Where two machines changed the same file, changes of different lines are joined; of the same lines
the later one stands, and the other is kept among the changes of the site, so that it can be read and brought back.
"""

from __future__ import annotations

import logging
import secrets
import socket
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from collector.alone import alone
from collector.config.drafts import drafted
from collector.config.site_file import site_faults
from collector.editing.editor import REMOVED
from collector.editing.keep import SiteText, StaleEdit, replace_site, site_path, stamp_of
from collector.editing.merge import taken_back
from forecaster.decoding.typed import from_json
from forecaster.domain.errors import ConfigError
from forecaster.domain.ports import Clock, Ledger
from forecaster.domain.records import SiteEdit
from forecaster.domain.times import DAY_MS
from forecaster.texts.catalogue import words

log = logging.getLogger("outlast.files")

SHARED, MARK = "site-file", "site-files"
"""Notes in the ledger: the newest text of each site, and a mark that differs whenever one of them has changed."""

STATE = ".carried.json"
"""The file of the texts that this machine and the ledger had in common last. It stands among the program's own: where
a process is shut in, it may write into `sites/` and not beside the settings."""

BY_HAND = "by-hand"
"""Stands in `SiteEdit.part` where a file was changed without the program, or on two machines at once."""


class SharedText(msgspec.Struct, frozen=True):
    """The newest text of a site file in the ledger. text : str — "" where the site was removed; at_ms : UTC ms"""

    text: str
    at_ms: int
    machine: str


class CarriedTexts(msgspec.Struct):
    """What this machine and the ledger had in common last. texts : by site; "" for a removed one"""

    texts: dict[str, str] = msgspec.field(default_factory=dict)


class Overtaken(Exception):
    """Another machine has put a text of the same site into the ledger meanwhile."""


@dataclass(slots=True)
class SiteCarrier:
    """Carries the site files of one folder.

    folder : Path — of the installation
    kept : Path — the file of the texts that this machine and the ledger had in common last
    machine : str — by which name others are told of its changes
    conflicts : by site, when and what was last decided between two machines, in words
    """

    folder: Path
    ledger: Ledger
    clock: Clock
    kept: Path
    machine: str = field(default_factory=socket.gethostname)
    conflicts: dict[str, tuple[int, str]] = field(default_factory=dict)
    _seen: tuple[object, ...] | None = None
    _standing: dict[str, str] = field(default_factory=dict)
    _refused: dict[str, str] = field(default_factory=dict)

    def once(self) -> None:
        """Carry what has changed, here or elsewhere. Errors: StoreError, OSError; the next time goes on."""
        mark = self.ledger.noted(MARK)
        seen = (mark, self._looks())
        if seen == self._seen:
            return
        with alone(self.folder):
            state = self._state()
            shared = self._shared()
            local = {path.stem: _text(path) for path in self._paths()}
            done = True
            for site in sorted({*local, *shared}):
                text = local.get(site, "")
                if text is not None:
                    done = self._tried(site, text, shared.get(site), state.texts) and done
            self._keep(state)
        self._seen = seen if done and seen == (self.ledger.noted(MARK), self._looks()) else None

    def troubles(self) -> list[str]:
        """What was decided between two machines within a day, in words."""
        edge_ms = self.clock.now_ms() - DAY_MS
        return [told for _, (at_ms, told) in sorted(self.conflicts.items()) if at_ms >= edge_ms]

    def _paths(self) -> list[Path]:
        return sorted((self.folder / "sites").glob("*.toml"))

    def _looks(self) -> tuple[tuple[str, int, int], ...]:
        return tuple((path.name, at.st_size, at.st_mtime_ns) for path in self._paths() for at in [path.stat()])

    def _shared(self) -> dict[str, SharedText]:
        notes = {name.partition(":")[2]: value for name, value in self.ledger.notes(SHARED).items() if ":" in name}
        self._standing = notes
        return {site: from_json(value, SharedText) for site, value in notes.items()}

    def _state(self) -> CarriedTexts:
        if not self.kept.exists():
            return CarriedTexts()
        try:
            return from_json(self.kept.read_bytes(), CarriedTexts)
        except msgspec.MsgspecError:
            log.warning("%s cannot be read: files and ledger are compared anew", STATE)
            return CarriedTexts()

    def _keep(self, state: CarriedTexts) -> None:
        self.kept.parent.mkdir(parents=True, exist_ok=True)
        with drafted(self.kept, msgspec.json.encode(state), 0o600) as draft:
            draft.replace(self.kept)

    # -- one site
    def _tried(self, site: str, local: str, shared: SharedText | None, texts: dict[str, str]) -> bool:
        """Carry one file; False where it was changed or could not be written meanwhile, so that it is tried again."""
        try:
            self._carry(site, local, shared, texts)
        except Overtaken:
            return False
        except (StaleEdit, ConfigError) as error:
            if self._refused.get(site) != str(error):
                log.warning("site %s: its file is not carried for now: %s", site, error)
            self._refused[site] = str(error)
            return False
        self._refused.pop(site, None)
        return True

    def _carry(self, site: str, local: str, shared: SharedText | None, texts: dict[str, str]) -> None:
        theirs = None if shared is None else shared.text
        base = texts[site] if site in texts else self._changed_from(site, local, theirs)
        if local == (theirs or ""):
            texts[site] = local
        elif theirs is None:
            self._give(site, local, texts, before=None)
        elif not local and base:
            self._gone_here(site, texts)
        elif local == (base or ""):
            self._take(site, local, theirs, texts)
        elif not _sound(local, base or theirs, site):
            log.warning("site %s: its file is not carried to other machines before it is mended", site)
        elif base == theirs:
            self._give(site, local, texts, before=base)
        else:
            assert shared is not None
            self._both(site, local, shared, base, texts)

    def _changed_from(self, site: str, local: str, theirs: str | None) -> str | None:
        """The text that the program changed into one of these, as the newest change of the site; None: into neither."""
        newest = next(iter(self.ledger.edits(site, 1)), None)
        return newest.before if newest is not None and newest.after in {local, theirs} else None

    def _gone_here(self, site: str, texts: dict[str, str]) -> None:
        """A file that is missing here alone may be a lost disk: only a removal by the program is carried."""
        newest = next(iter(self.ledger.edits(site, 1)), None)
        if newest is not None and newest.part == REMOVED and newest.after == "":
            self._share(site, "", newest.at_ms)
            texts[site] = ""
        else:
            self._tell("edit.carry.gone", site, self.machine)

    def _take(self, site: str, local: str, theirs: str, texts: dict[str, str]) -> None:
        """Write the others' text here."""
        replace_site(self.folder, SiteText(site, local, stamp_of(local)), theirs)
        texts[site] = theirs
        log.warning("site %s: its file is as it was changed on another machine", site)

    def _give(self, site: str, local: str, texts: dict[str, str], before: str | None) -> None:
        """Put this machine's text into the ledger; a change by hand is kept among the site's changes too."""
        newest = next(iter(self.ledger.edits(site, 1)), None)
        at_ms = newest.at_ms if newest is not None and newest.after == local else self._changed_ms(site)
        self._share(site, local, at_ms)
        if before is not None and (newest is None or newest.after != local):
            self._record(site, before, local, at_ms)
        texts[site] = local

    def _both(self, site: str, local: str, shared: SharedText, base: str | None, texts: dict[str, str]) -> None:
        """Join two changes of one file; where they touch the same lines the later one stands, and both are kept."""
        theirs = shared.text
        joined = taken_back(local, base, theirs) if base and theirs else None
        if joined is not None and _sound(joined, theirs, site):
            self._share(site, joined, self.clock.now_ms())
            self._record(site, theirs, joined, self.clock.now_ms())
            replace_site(self.folder, SiteText(site, local, stamp_of(local)), joined)
            texts[site] = joined
            return
        mine_ms = self._changed_ms(site)
        if mine_ms >= shared.at_ms:
            self._share(site, local, mine_ms)
            self._record(site, theirs, local, mine_ms)
            texts[site] = local
            key = "edit.carry.mine"
        else:
            if base is not None:
                self._record(site, base, local, mine_ms)
            self._record(site, local, theirs, shared.at_ms)
            self._take(site, local, theirs, texts)
            key = "edit.carry.theirs"
        self._tell(key, site, shared.machine)

    # -- what is told
    def _tell(self, key: str, site: str, machine: str) -> None:
        said = words()(key, site=site, machine=machine)
        self.conflicts[site] = (self.clock.now_ms(), said)
        log.warning("%s", said)

    def _changed_ms(self, site: str) -> int:
        return site_path(self.folder, site).stat().st_mtime_ns // 1_000_000

    def _record(self, site: str, before: str, after: str, at_ms: int) -> None:
        who = words()("edit.carry.who", machine=self.machine)
        self.ledger.save_edit(SiteEdit(site, at_ms, who, BY_HAND, before, after))

    def _share(self, site: str, text: str, at_ms: int) -> None:
        """Put a text into the ledger. Errors: Overtaken, with nothing changed, where another machine was first."""
        told = msgspec.json.encode(SharedText(text, at_ms, self.machine)).decode()
        if not self.ledger.note_after(f"{SHARED}:{site}", self._standing.get(site), told):
            raise Overtaken
        self._standing[site] = told
        self.ledger.note(MARK, secrets.token_hex(8))


def _text(path: Path) -> str | None:
    """The text of a file; None for one that is no text: it is left alone."""
    try:
        return path.read_bytes().decode()
    except UnicodeDecodeError:
        return None


def _sound(text: str, before: str, site: str) -> bool:
    """Whether a text is a site file with no faults but those that it had before."""
    try:
        content, earlier = tomllib.loads(text), tomllib.loads(before)
    except tomllib.TOMLDecodeError:
        return False
    known = _faults(earlier, site)
    return content.get("id") == site and _faults(content, site) <= known


def _faults(content: Mapping[str, object], site: str) -> set[tuple[str, str]]:
    return {(fault.key, str(fault.problem)) for fault in site_faults(dict(content), f"{site}.toml")}
