"""Pages of lists: the cursor of a list that is read whole, and what every list says of its pages."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Annotated, TypeVar

from fastapi import Query
from pydantic import Field

from api.http.moments import Moment, epoch_ms
from forecaster.domain.errors import UsageError
from forecaster.texts.catalogue import Said

Entry = TypeVar("Entry")

CursorIn = Annotated[
    str | None,
    Query(max_length=250, pattern=r"^[\x21-\x7e]+$", description="Of the page before; the first page if left out."),
]
CursorOut = Annotated[str | None, Field(description="Asks for the next page; null: there is none.")]


def page(
    entries: Sequence[Entry], name: Callable[[Entry], str], limit: int, cursor: str | None
) -> tuple[Sequence[Entry], str | None]:
    """The entries after the one that the cursor names, and the cursor of the next page.

    name : gives the name of an entry, which no other has
    Errors: UsageError for a cursor that names none.
    """
    first = 0
    if cursor is not None:
        places = [place for place, entry in enumerate(entries, start=1) if name(entry) == cursor]
        if not places:
            raise UsageError(Said("usage.cursor_of_no_page", cursor=cursor), Said("usage.begin_without_a_cursor"))
        (first,) = places
    shown = entries[first : first + limit]
    return shown, name(shown[-1]) if first + limit < len(entries) else None


def within(
    entries: Sequence[Entry], when_ms: Callable[[Entry], int], start: Moment | None, end: Moment | None
) -> list[Entry]:
    """The entries whose time lies in [start, end); None is no bound."""
    first_ms, stop_ms = epoch_ms(start), epoch_ms(end)
    return [
        entry
        for entry in entries
        if (first_ms is None or when_ms(entry) >= first_ms) and (stop_ms is None or when_ms(entry) < stop_ms)
    ]
