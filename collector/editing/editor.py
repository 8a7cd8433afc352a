"""Changes site files for people: checked as the file is when it is read, kept with who made them, taken back.

The files stay the truth: each change is made on the text as it stands, and refused where that is not the one it was
made for. What a hand writes into a file counts as it is, whoever wrote last.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from collector.config.site_file import site_faults
from collector.editing.change import SiteChange, changed
from collector.editing.difference import DiffLine, difference
from collector.editing.keep import SiteText, read_site, replace_site
from collector.editing.merge import taken_back
from collector.editing.rewrite import rewritten
from collector.editing.webhooks import webhook_faults
from forecaster.domain.errors import ConfigError, Conflict, NotFound, StoreError, UsageError
from forecaster.domain.ports import Clock, Ledger
from forecaster.domain.records import SiteEdit
from forecaster.texts.catalogue import Said

REMOVED, UNDONE = "removed", "undone"
"""What was done with a whole file, in place of the part that changed."""


class RefusedEdit(UsageError):
    """A change that would leave no valid site file. faults : all that is wrong with it."""

    def __init__(self, faults: tuple[ConfigError, ...]) -> None:
        self.faults = faults
        super().__init__(faults[0].problem, faults[0].fix)


@dataclass(frozen=True, slots=True)
class Proposal:
    """What a change would make of a site file.

    text : str — the new text, "" where there are faults
    faults : what is wrong with it and was not before; lines : the difference
    """

    text: str
    faults: tuple[ConfigError, ...]
    lines: tuple[DiffLine, ...]


@dataclass(frozen=True, slots=True)
class SiteEditor:
    """Changes the site files of an installation.

    allowed : frozenset[str] | None — hosts inside a private network that webhooks may name; None: any
    """

    folder: Path
    ledger: Ledger
    clock: Clock
    allowed: frozenset[str] | None = None

    def read(self, site: str) -> SiteText:
        """A site file as it stands. NotFound, ConfigError."""
        return read_site(self.folder, site)

    def proposed(self, known: SiteText, change: SiteChange) -> Proposal:
        """What a change would make of a file; nothing is written."""
        after = changed(known.content, change)
        faults = (*self._faults(known, after), *webhook_faults(known.content, after, known.file, self.allowed))
        if faults:
            return Proposal("", faults, ())
        try:
            text = rewritten(known.text, change, known.file)
        except ConfigError as error:
            return Proposal("", (error,), ())
        return Proposal(text, (), tuple(difference(known.text, text)))

    def save(self, known: SiteText, change: SiteChange, *, who: str, part: str) -> SiteEdit | None:
        """Make a change; None where it changes nothing. RefusedEdit, StaleEdit, ConfigError, StoreError."""
        made = self.proposed(known, change)
        if made.faults:
            raise RefusedEdit(made.faults)
        return self._put(known, made.text, who, part) if made.text != known.text else None

    def remove(self, known: SiteText, *, who: str) -> SiteEdit:
        """Remove a site's file. StaleEdit, ConfigError, StoreError."""
        return self._put(known, "", who, REMOVED)

    def undoing(self, edit: SiteEdit) -> tuple[SiteText, str]:
        """The file as it stands, and its text without a change. Conflict where later changes touch the same lines."""
        try:
            now = self.read(edit.site)
        except NotFound:
            now = SiteText(edit.site, "", "")
        if edit.before is None or edit.after is None:
            raise Conflict(Said("edit.too_old"), Said("edit.too_old_mend"))
        text = edit.before if now.text == edit.after else taken_back(edit.before, edit.after, now.text)
        if text is None or not (now.text or edit.after == ""):
            raise Conflict(Said("edit.changed_since"), Said("edit.changed_since_mend"))
        if text:
            faults = self._faults(now, _parsed(text))
            if faults:
                raise RefusedEdit(faults)
        return now, text

    def undo(self, edit: SiteEdit, *, who: str) -> SiteEdit | None:
        """Take a change back; None where nothing is left of it. Conflict, RefusedEdit, ConfigError, StoreError."""
        now, text = self.undoing(edit)
        return self._put(now, text, who, UNDONE, edit.id) if text != now.text else None

    def _faults(self, known: SiteText, content: dict[str, Any]) -> tuple[ConfigError, ...]:
        before = {(one.key, one.problem) for one in site_faults(known.content, known.file)} if known.text else set()
        found = [one for one in site_faults(content, known.file) if (one.key, one.problem) not in before]
        if content.get("id") != known.site:
            found.append(ConfigError(known.file, "id", Said("edit.id_stays"), Said("edit.id_stays_mend")))
        return tuple(found)

    def _put(self, known: SiteText, text: str, who: str, part: str, undoes: int | None = None) -> SiteEdit:
        """Write the file and keep the change; where it cannot be kept, the file is as it was."""
        made = replace_site(self.folder, known, text)
        edit = SiteEdit(known.site, self.clock.now_ms(), who, part, known.text, text, undoes)
        try:
            number = self.ledger.save_edit(edit)
        except StoreError:
            replace_site(self.folder, made, known.text)
            raise
        return SiteEdit(edit.site, edit.at_ms, who, part, known.text, text, undoes, number)


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise Conflict(Said("edit.changed_since"), Said("edit.changed_since_mend")) from error
