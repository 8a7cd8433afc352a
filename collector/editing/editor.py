"""Changes site files for people: checks each change, keeps it with who made it, and takes it back.

A change is checked as the file itself is when it is read. The files stay the truth: a change is made on the text as it
stands, and refused where that is no longer the text that it was made for. What is written into a file by hand counts.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
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
"""Stand in `SiteEdit.part` where the whole file was removed, or a change was taken back."""


class RefusedEdit(UsageError):
    """A change that would leave no valid site file.

    faults : tuple[ConfigError, ...] — all that is wrong with it, at least one
    """

    def __init__(self, faults: tuple[ConfigError, ...]) -> None:
        self.faults = faults
        super().__init__(faults[0].problem, faults[0].fix)


@dataclass(frozen=True, slots=True)
class Proposal:
    """What a change would make of a site file.

    known : SiteText — the file that the change is made for
    text : str — the new text; "" where there are faults
    faults : what is wrong with it and was not before the change
    lines : the difference from the present text, with secrets covered
    """

    known: SiteText
    text: str
    faults: tuple[ConfigError, ...]
    lines: tuple[DiffLine, ...]


@dataclass(frozen=True, slots=True)
class SiteEditor:
    """Changes the site files of an installation.

    folder : Path — of the installation
    allowed : frozenset[str] | None — hosts inside a private network that webhooks may name; None: any
    """

    folder: Path
    ledger: Ledger
    clock: Clock
    allowed: frozenset[str] | None = None

    def read(self, site: str) -> SiteText:
        """A site file as it stands. Errors: NotFound, ConfigError."""
        return read_site(self.folder, site)

    def proposed(self, known: SiteText, change: SiteChange) -> Proposal:
        """What a change would make of a file. Nothing is written, and faults are returned, not raised."""
        after = changed(known.content, change)
        faults = (*self._faults(known, after), *webhook_faults(known.content, after, known.file, self.allowed))
        if faults:
            return Proposal(known, "", faults, ())
        try:
            text = rewritten(known.text, change, known.file)
        except ConfigError as error:
            return Proposal(known, "", (error,), ())
        return Proposal(known, text, (), tuple(difference(known.text, text)))

    def save(self, made: Proposal, *, who: str, part: str) -> SiteEdit | None:
        """Make a change that was proposed, and keep it; None where it changes nothing.

        who, part : as in `SiteEdit`
        Errors: RefusedEdit, StaleEdit, ConfigError, StoreError.
        """
        if made.faults:
            raise RefusedEdit(made.faults)
        return self._put(made.known, made.text, who, part) if made.text != made.known.text else None

    def remove(self, known: SiteText, *, who: str) -> SiteEdit:
        """Remove a site's file. Errors: StaleEdit, ConfigError, StoreError."""
        return self._put(known, "", who, REMOVED)

    def undoing(self, edit: SiteEdit) -> tuple[SiteText, str]:
        """The file as it stands, and what its text would be with a change taken back; nothing is written.

        Errors: Conflict where later changes touch the same lines, or the texts of the change are no longer kept;
        RefusedEdit, ConfigError.
        """
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
        """Take a change back, as a change of its own; None where nothing is left of it.

        Errors: Conflict, RefusedEdit, ConfigError, StoreError.
        """
        now, text = self.undoing(edit)
        return self._put(now, text, who, UNDONE, edit.id) if text != now.text else None

    def _faults(self, known: SiteText, content: dict[str, Any]) -> tuple[ConfigError, ...]:
        before = {(one.key, one.problem) for one in site_faults(known.content, known.file)} if known.text else set()
        found = [one for one in site_faults(content, known.file) if (one.key, one.problem) not in before]
        if content.get("id") != known.site:
            found.append(ConfigError(known.file, "id", Said("edit.id_stays"), Said("edit.id_stays_mend")))
        return tuple(found)

    def _put(self, known: SiteText, text: str, who: str, part: str, undoes: int | None = None) -> SiteEdit:
        """Write the file and keep the change; where the change cannot be kept, put the file back as it was."""
        made = replace_site(self.folder, known, text)
        edit = SiteEdit(known.site, self.clock.now_ms(), who, part, known.text, text, undoes)
        try:
            number = self.ledger.save_edit(edit)
        except StoreError:
            replace_site(self.folder, made, known.text)
            raise
        return replace(edit, id=number)


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise Conflict(Said("edit.changed_since"), Said("edit.changed_since_mend")) from error
