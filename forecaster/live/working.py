"""Records work that people did on a house."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

from forecaster.domain.errors import UsageError
from forecaster.domain.longrecord import HousePart, WorkDone, WorkKind
from forecaster.domain.ports import Ledger
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS
from forecaster.engine.document import time_text

LONGEST = 500
"""Most characters of a description."""

BACK_MS = 50 * 365 * DAY_MS
"""Work that is older than this is refused as a typing error [ms]."""


def tell_work(
    ledger: Ledger, site: Site, by: str, now_ms: int, kind: WorkKind,
    at_ms: int | None = None, part: HousePart | None = None, did: str = "",
) -> WorkDone:  # fmt: skip
    """Record work done at a site.

    at_ms : int | None — when it was done, UTC milliseconds; None: now
    part : HousePart | None — the part that it concerned, only for OTHER; other kinds imply it
    Errors: UsageError for a time ahead or long ago, a part with a kind that implies one, OTHER without a description.
    """
    at_ms = now_ms if at_ms is None else at_ms
    did = " ".join(did.split())
    if not now_ms - BACK_MS <= at_ms <= now_ms:
        raise UsageError(f"at: {time_text(at_ms)} is not a time at which work was done", "give one that has passed")
    if part is not None and kind is not WorkKind.OTHER:
        raise UsageError(f"part: {kind} says what it concerns", "leave part out, or tell it as other")
    if kind is WorkKind.OTHER and part is None and not did:
        raise UsageError("did: other work needs a word", "say what was done, or which part it concerned")
    if len(did) > LONGEST:
        raise UsageError(f"did: {len(did)} characters are too many", f"keep to {LONGEST}")
    work = WorkDone(f"{site.id}:work:{uuid4().hex[:12]}", site.id, at_ms, kind, did, by, now_ms, part)
    ledger.save_work(work)
    return work


def work_document(work: WorkDone) -> dict[str, Any]:
    """Work done as a JSON document; `part` is the main one that it concerned."""
    return {
        "id": work.id,
        "at": time_text(work.at_ms),
        "kind": work.kind.value,
        "part": work.concerns[0].value if work.concerns else None,
        "did": work.did,
        "by": work.by,
        "noted": time_text(work.noted_ms),
    }
