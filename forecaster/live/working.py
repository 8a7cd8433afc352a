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
from forecaster.outage.runs import named_pump
from forecaster.texts.catalogue import Said
from forecaster.texts.reading import readable_line

LONGEST = 500
"""Most characters of a description."""

BACK_MS = 50 * 365 * DAY_MS
"""Work that is older than this is refused as a typing error [ms]."""


def tell_work(
    ledger: Ledger, site: Site, by: str, now_ms: int, kind: WorkKind,
    at_ms: int | None = None, part: HousePart | None = None, did: str = "", pump: str = "",
) -> WorkDone:  # fmt: skip
    """Record work done at a site.

    at_ms : int | None — when it was done, UTC milliseconds; None: now
    part : HousePart | None — the part that it concerned, only for OTHER; other kinds imply it
    pump : str — which of two pumps it was done on; "" for the first, or the only one
    Errors: UsageError for a time ahead or long ago, a part with a kind that implies one, OTHER without a description,
    a description that holds what nobody sees.
    """
    at_ms = now_ms if at_ms is None else at_ms
    pump = named_pump(site, pump)
    did = readable_line(" ".join(did.split()))
    if not now_ms - BACK_MS <= at_ms <= now_ms:
        raise UsageError(
            Said("usage.at_is_not_a_time_at", time_text=time_text(at_ms)), Said("usage.give_one_that_has_passed")
        )
    if part is not None and kind is not WorkKind.OTHER:
        raise UsageError(Said("usage.part_says_what_it_concerns", kind=kind), Said("usage.leave_part_out_or_tell_it"))
    if kind is WorkKind.OTHER and part is None and not did:
        raise UsageError(Said("usage.did_other_work_needs_a_word"), Said("usage.say_what_was_done_or_which"))
    if len(did) > LONGEST:
        raise UsageError(
            Said("usage.did_characters_are_too_many", count=len(did)), Said("usage.keep_to", longest=LONGEST)
        )
    work = WorkDone(f"{site.id}:work:{uuid4().hex[:12]}", site.id, at_ms, kind, did, by, now_ms, part, pump)
    ledger.save_work(work)
    return work


def work_document(work: WorkDone) -> dict[str, Any]:
    """Work done as a JSON document; `part` is the main one that it concerned."""
    return {
        "id": work.id,
        "at": time_text(work.at_ms),
        "kind": work.kind.value,
        "part": work.concerns[0].value if work.concerns else None,
        **({"pump": work.pump} if work.pump else {}),
        "did": work.did,
        "by": work.by,
        "noted": time_text(work.noted_ms),
    }
