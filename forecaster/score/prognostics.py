"""Prognostic metrics of Saxena et al. 2010 (Metrics for Offline Evaluation of Prognostic Performance).

Times are in hours from any common origin; a prediction is the time at which it is made and draws of the time of
the event.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecaster.maths.arrays import Array


@dataclass(frozen=True, slots=True)
class Prediction:
    """at_h : float — when it is made [h]; event_h : (D,) — draws of the time of the event [h]."""

    at_h: float
    event_h: Array


def within(prediction: Prediction, event_h: float, alpha: float) -> float:
    """Share of the draws whose remaining time is within alpha of the true remaining time, 0..1."""
    slack = alpha * (event_h - prediction.at_h)
    return float(np.mean((prediction.event_h > event_h - slack) & (prediction.event_h < event_h + slack)))


def alpha_lambda(
    predictions: Sequence[Prediction], event_h: float, at_h: float, alpha: float, beta: float
) -> bool | None:
    """Whether the first prediction made at or after at_h has at least beta of its draws within alpha; None without."""
    for prediction in sorted(predictions, key=lambda p: p.at_h):
        if prediction.at_h >= at_h:
            return within(prediction, event_h, alpha) >= beta
    return None


def prognostic_horizon(predictions: Sequence[Prediction], event_h: float, alpha: float, beta: float) -> float | None:
    """Hours before the event at which a prediction first has beta of its draws within alpha; None if never."""
    for prediction in sorted(predictions, key=lambda p: p.at_h):
        if within(prediction, event_h, alpha) >= beta and event_h > prediction.at_h:
            return event_h - prediction.at_h
    return None


def relative_accuracy(mean_h: float, true_h: float) -> float:
    """1 - |error| / truth."""
    return 1.0 - abs(true_h - mean_h) / true_h


def cumulative_relative_accuracy(predictions: Sequence[Prediction], event_h: float) -> float:
    """Mean relative accuracy of the predictions' means, of the time of the event."""
    return float(np.mean([relative_accuracy(float(p.event_h.mean()), event_h) for p in predictions]))


def cumulative_remaining_accuracy(predictions: Sequence[Prediction], event_h: float) -> float:
    """Mean relative accuracy of the remaining time, as the paper weighs it: error over the true remaining time."""
    return float(np.mean([
        relative_accuracy(float(p.event_h.mean()) - p.at_h, event_h - p.at_h) for p in predictions
    ]))  # fmt: skip
