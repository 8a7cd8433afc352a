"""A bank of filters back from a snapshot."""

from __future__ import annotations

from typing import Any

from forecaster.maths.arrays import unpack_array
from forecaster.water.recession import Bank, Candidates


def bank_from(packed: dict[str, Any] | None, candidates: Candidates) -> Bank | None:
    """The bank whose state was packed; None where there was none yet."""
    if packed is None:
        return None
    mean, covariance = unpack_array(packed["mean"]), unpack_array(packed["covariance"])
    bank = Bank(candidates, mean[0], covariance[0])
    bank.mean, bank.covariance = mean, covariance
    bank.log_weight = unpack_array(packed["log_weight"])
    return bank
