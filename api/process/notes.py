"""What the faces keep in the ledger under a name: values made once, and lists of names."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import msgspec

from forecaster.domain.ports import Ledger


def made_once(ledger: Ledger, name: str, make: Callable[[], str]) -> str:
    """A value of the installation's own: made where it is not kept yet, and the same ever after."""
    kept = ledger.noted(name)
    return ledger.note_once(name, make()) if kept is None else kept


def noted_names(ledger: Ledger, name: str) -> list[str]:
    """A list of names that was kept; empty where none was."""
    kept = ledger.noted(name)
    return [] if kept is None else msgspec.json.decode(kept, type=list[str])


def note_names(ledger: Ledger, name: str, names: Iterable[str]) -> None:
    """Keep a list of names, sorted, in place of the one before."""
    ledger.note(name, msgspec.json.encode(sorted(names)).decode())
