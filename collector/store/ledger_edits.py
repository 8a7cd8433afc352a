"""Keeps changes of site files that were made with the program, so that they can be listed and taken back."""

from __future__ import annotations

from sqlalchemy import Insert, or_, select, update

from collector.store import ledger_schema as t
from collector.store.ledger_base import LedgerBase
from forecaster.domain.errors import NotFound
from forecaster.domain.records import SiteEdit
from forecaster.texts.catalogue import Said


def edit_inserted(edit: SiteEdit) -> Insert:
    """The statement that keeps a change of a site file; `edit.id` is ignored."""
    return t.edits.insert().values(
        {name: getattr(edit, name) for name in SiteEdit.__dataclass_fields__ if name != "id"}
    )


class EditNotes(LedgerBase):
    """The part of the Ledger port that keeps changes of site files."""

    def save_edit(self, edit: SiteEdit) -> int:
        """Keep a change of a site file, and return its id; `edit.id` is ignored."""
        statement = edit_inserted(edit).returning(t.edits.c.id)
        return self._write(lambda c: int(c.execute(statement).scalar_one()))

    def edits(self, site: str | None = None, limit: int = 200) -> list[SiteEdit]:
        """Changes of site files, newest first, `limit` at most. site : str | None — of this site; None: of all"""
        query = select(t.edits).order_by(t.edits.c.id.desc()).limit(limit)
        if site is not None:
            query = query.where(t.edits.c.site == site)
        return [SiteEdit(**row) for row in self._rows(query)]

    def edit(self, edit_id: int) -> SiteEdit:
        """The change with an id. Errors: NotFound."""
        rows = self._rows(select(t.edits).where(t.edits.c.id == edit_id))
        if not rows:
            raise NotFound(Said("usage.edit", edit_id=edit_id))
        return SiteEdit(**rows[0])

    def forget_edit_texts(self, before_ms: int) -> int:
        """Drop the texts of changes made before a time; who, when and which part remain. Returns how many lost theirs.

        before_ms : int — UTC milliseconds
        """
        e = t.edits.c
        old = update(t.edits).where(e.at_ms < before_ms, or_(e.before.is_not(None), e.after.is_not(None)))
        return self._write(lambda c: c.execute(old.values(before=None, after=None)).rowcount)
