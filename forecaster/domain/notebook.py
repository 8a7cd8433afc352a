"""The part of the ledger's port that keeps small named values."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Protocol

from forecaster.domain.records import SiteEdit


class NoteBook(Protocol):
    """Small named values, in the ledger. Errors: StoreError from all of its methods."""

    def note(self, name: str, value: str) -> None:
        """Keep a small named value (filters subscribed, clock state, heartbeat times)."""
        ...

    def note_all(self, values: Mapping[str, str]) -> None:
        """Keep small named values, all of them or none. values : by name"""
        ...

    def note_once(self, name: str, value: str) -> str:
        """Keep a small named value unless there is one; the value that stands, whoever of several was first."""
        ...

    def note_new(self, values: Mapping[str, str], also: Mapping[str, str]) -> None:
        """Keep values, each unless there is one, and `also` with them whatever stands there."""
        ...

    def note_after(
        self, name: str, before: str | None, value: str,
        *, also: Mapping[str, str] | None = None, edit: SiteEdit | None = None,
    ) -> bool:  # fmt: skip
        """Keep a value, and `also` and `edit`, only where what stands is still `before` (None: nothing); whether."""
        ...

    def noted(self, name: str) -> str | None:
        """A small named value."""
        ...

    def noted_of(self, names: Collection[str]) -> dict[str, str]:
        """Small values by their names, as far as there are any."""
        ...

    def notes(self, name: str) -> dict[str, str]:
        """The small values of a name and of `name:…`, by their names."""
        ...

    def forget_note(self, name: str) -> None:
        """Drop a small named value, if it is there."""
        ...
