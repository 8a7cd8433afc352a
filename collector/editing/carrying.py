"""Carries site files between machines: each has a folder of its own, the ledger that they share has the newest text.

Files stay the truth on each machine. What changes in one, by a page or by hand, is put into the ledger, and the others
write it into theirs. Where two machines changed the same file, changes of different lines are joined; of the same lines
the later one stands, and the other is kept among the changes of the site, so that it can be read and brought back.
"""

from __future__ import annotations

import logging
import secrets
import socket
import time
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec

from collector.alone import alone
from collector.config.drafts import drafted
from collector.config.set_aside import lenient, site_files
from collector.config.signature import Signature, signature
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


LOT = 250
"""Files put into the ledger in one transaction, at the first start of an installation."""


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
    look_s : float — processor time that the last look at the files took [s]
    conflicts : by site, when and what was last decided between two machines, in words
    """

    folder: Path
    ledger: Ledger
    clock: Clock
    kept: Path
    machine: str = field(default_factory=socket.gethostname)
    conflicts: dict[str, tuple[int, str]] = field(default_factory=dict)
    look_s: float = 0.0
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
            if not shared and not state.texts and not self.ledger.edits(limit=1):
                self._give_all()
                shared = self._shared()
            done = True
            for site in sorted({*(path.stem for path in site_files(self.folder / "sites")), *shared}):
                done = self._tried(site, shared.get(site), state.texts) and done
            self._keep(state)
        self._seen = seen if done and seen == (self.ledger.noted(MARK), self._looks()) else None

    def troubles(self) -> list[str]:
        """What was decided between two machines within a day, in words."""
        edge_ms = self.clock.now_ms() - DAY_MS
        return [told for _, (at_ms, told) in sorted(self.conflicts.items()) if at_ms >= edge_ms]

    def _looks(self) -> Signature:
        began_s = time.thread_time()
        found = signature(self.folder / "sites")
        self.look_s = time.thread_time() - began_s
        return found

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

    def _give_all(self) -> None:
        """Put all files that can be used into a ledger that knows of none, LOT at a time; the others as at any time."""
        names = sorted(path.stem for path in site_files(self.folder / "sites"))
        for first in range(0, len(names), LOT):
            told = {f"{SHARED}:{site}": self._first(site) for site in names[first : first + LOT]}
            values = {name: text for name, text in told.items() if text is not None}
            self.ledger.note_new(values, {MARK: secrets.token_hex(8)})

    def _first(self, site: str) -> str | None:
        """A file as it is put into the ledger; None where it cannot be read or used, which the look at each tells."""
        try:
            text = _text(site_path(self.folder, site))
        except (ConfigError, OSError, UnicodeDecodeError):
            return None
        return self._told(text, self._changed_ms(site)) if _sound(text, None, site) else None

    # -- one site
    def _tried(self, site: str, shared: SharedText | None, texts: dict[str, str]) -> bool:
        """Carry one file; False where it was changed or could not be reached meanwhile, so that it is tried again."""
        try:
            self._carry(site, _text(site_path(self.folder, site)), shared, texts)
        except Overtaken:
            return False
        except (StaleEdit, ConfigError, OSError) as error:
            self._refuse(site, str(error))
            return False
        except UnicodeDecodeError as error:
            self._refuse(site, str(error))
        else:
            self._refused.pop(site, None)
        return True

    def _refuse(self, site: str, why: str) -> None:
        if self._refused.get(site) != why:
            log.warning("site %s: its file is not carried for now: %s", site, why)
        self._refused[site] = why

    def _carry(self, site: str, local: str, shared: SharedText | None, texts: dict[str, str]) -> None:
        theirs = None if shared is None else shared.text
        base = texts[site] if site in texts else self._changed_from(site, local, theirs)
        if local == (theirs or ""):
            texts[site] = local
        elif not local and base:
            self._gone_here(site, texts)
        elif theirs is not None and local == (base or ""):
            self._take(site, local, theirs, texts)
        elif not _sound(local, base or theirs, site):
            log.warning("site %s: its file is not carried to other machines before it is mended", site)
        elif theirs is None:
            self._give(site, local, texts, before=None)
        elif base == theirs:
            self._give(site, local, texts, before=base)
        else:
            assert shared is not None
            self._both(site, local, shared, base, texts)

    def _changed_from(self, site: str, local: str, theirs: str | None) -> str | None:
        """The text that the program changed into one of these, as the newest change of the site; None: into neither.

        A file that is not here has been changed here by nothing but its removal.
        """
        newest = self._newest(site)
        return newest.before if newest is not None and newest.after in ({local, theirs} if local else {""}) else None

    def _newest(self, site: str) -> SiteEdit | None:
        return next(iter(self.ledger.edits(site, 1)), None)

    def _gone_here(self, site: str, texts: dict[str, str]) -> None:
        """A file that is missing here alone may be a lost disk: only a removal by the program is carried."""
        newest = self._newest(site)
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
        newest = self._newest(site)
        if newest is not None and newest.after == local:
            self._share(site, local, newest.at_ms)
        else:
            self._share(site, local, self._changed_ms(site), before)
        texts[site] = local

    def _both(self, site: str, local: str, shared: SharedText, base: str | None, texts: dict[str, str]) -> None:
        """Join two changes of one file; where they touch the same lines the later one stands, and both are kept."""
        theirs = shared.text
        joined = taken_back(local, base, theirs) if base and theirs else None
        if joined is not None and _sound(joined, theirs, site):
            if joined != theirs:
                self._share(site, joined, self.clock.now_ms(), theirs)
            self._take(site, local, joined, texts)
            return
        mine_ms = self._changed_ms(site)
        if mine_ms >= shared.at_ms:
            self._share(site, local, mine_ms, theirs)
            texts[site] = local
            key = "edit.carry.mine"
        else:
            self._keep_mine(site, base, local, mine_ms, shared)
            self._take(site, local, theirs, texts)
            key = "edit.carry.theirs"
        self._tell(key, site, shared.machine)

    def _keep_mine(self, site: str, base: str | None, local: str, mine_ms: int, shared: SharedText) -> None:
        """Keep a text that gives way among the site's changes; what an attempt before this one has kept stands once."""
        newest = self._newest(site)
        kept = None if newest is None else (newest.before, newest.after)
        if kept == (local, shared.text):
            return
        if base is not None and kept != (base, local):
            self.ledger.save_edit(self._by_hand(site, base, local, mine_ms))
        self.ledger.save_edit(self._by_hand(site, local, shared.text, shared.at_ms))

    # -- what is told
    def _tell(self, key: str, site: str, machine: str) -> None:
        said = words()(key, site=site, machine=machine)
        self.conflicts[site] = (self.clock.now_ms(), said)
        log.warning("%s", said)

    def _changed_ms(self, site: str) -> int:
        return site_path(self.folder, site).stat().st_mtime_ns // 1_000_000

    def _by_hand(self, site: str, before: str, after: str, at_ms: int) -> SiteEdit:
        who = words()("edit.carry.who", machine=self.machine)
        return SiteEdit(site, at_ms, who, BY_HAND, before, after)

    def _told(self, text: str, at_ms: int) -> str:
        return msgspec.json.encode(SharedText(text, at_ms, self.machine)).decode()

    def _share(self, site: str, text: str, at_ms: int, before: str | None = None) -> None:
        """Put a text into the ledger. Errors: Overtaken, with nothing changed, where another machine was first.

        before : str | None — what it takes the place of, where that is to be kept among the site's changes
        """
        told = self._told(text, at_ms)
        edit = None if before is None else self._by_hand(site, before, text, at_ms)
        mark = {MARK: secrets.token_hex(8)}
        if not self.ledger.note_after(f"{SHARED}:{site}", self._standing.get(site), told, also=mark, edit=edit):
            raise Overtaken
        self._standing[site] = told


def _text(path: Path) -> str:
    """The text of a file; "" where there is none. Errors: OSError; UnicodeDecodeError for one that is no text."""
    try:
        return path.read_bytes().decode()
    except FileNotFoundError:
        return ""


def _sound(text: str, before: str | None, site: str) -> bool:
    """Whether a text is a site file with no faults but those that it had before; a new one, whether it can be used."""
    try:
        content, earlier = tomllib.loads(text), tomllib.loads(before or "")
    except tomllib.TOMLDecodeError:
        return False
    if content.get("id") != site:
        return False
    return _faults(content, site) <= _faults(earlier, site) if earlier else _usable(content, site)


def _usable(content: dict[str, Any], site: str) -> bool:
    try:
        lenient(content, f"{site}.toml")
    except ConfigError:
        return False
    return True


def _faults(content: Mapping[str, object], site: str) -> set[tuple[str, str]]:
    return {(fault.key, str(fault.problem)) for fault in site_faults(dict(content), f"{site}.toml")}
