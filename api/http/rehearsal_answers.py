"""Discharge tests as JSON, the same for the API and for `outlast discharge show --json`."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import msgspec

from forecaster.discharge import Progress
from forecaster.domain.discharge import DischargeTest
from forecaster.engine.document import time_text
from forecaster.sizing.helps import help_document


def rehearsal_out(test: DischargeTest, so_far: Progress | None, *, names: bool = True) -> dict[str, Any]:
    """A test; `progress` while it runs, `result` when it is done; who started it only where names may be told."""
    result = None if test.result is None else msgspec.to_builtins(test.result)
    if result is not None:
        for key in ("belief_mean", "belief_covariance", "plate_mean", "plate_covariance"):
            del result[key]  # for engines, not for people
        del result["codes"]  # for pages, which say it again
        assert test.result is not None
        result["helps"] = [help_document(one) for one in test.result.helps]
    return {
        "id": test.id,
        "site": test.site,
        "state": "finished" if test.finished_ms is not None else "running" if so_far and so_far.on_pack else "waiting",
        "started": time_text(test.started_ms),
        "started_by": test.started_by if names else None,
        "pulled": None if test.pulled_ms is None else time_text(test.pulled_ms),
        "until_percent": test.until_percent,
        "until": None if test.until_ms is None else time_text(test.until_ms),
        "finished": None if test.finished_ms is None else time_text(test.finished_ms),
        "end": None if test.end is None else test.end.value,
        "progress": None if so_far is None else msgspec.to_builtins(replace(so_far, says=str(so_far.says))),
        "result": result,
    }
