"""The part of the ledger's port that keeps changes of site files."""

from __future__ import annotations

from typing import Protocol

from forecaster.domain.records import SiteEdit


class EditLog(Protocol):
    """Who changed which site file, from what to what."""

    def save_edit(self, edit: SiteEdit) -> int:
        """Keep a change of a site file; its id."""
        ...

    def edits(self, site: str | None = None, limit: int = 200) -> list[SiteEdit]:
        """Changes of site files, newest first."""
        ...

    def edit(self, edit_id: int) -> SiteEdit:
        """One change; NotFound."""
        ...

    def forget_edit_texts(self, before_ms: int) -> int:
        """Drop the texts of changes older than a time; what remains is who, when and which part. How many rows."""
        ...
