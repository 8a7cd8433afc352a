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
    """A prediction of the time of the event.

    at_h : float — when it is made [h]; event_h : (D,) — draws of the time of the event [h]
    """

    at_h: float
    event_h: Array


def within(prediction: Prediction, event_h: float, alpha: float) -> float:
    """Share of the draws, 0..1, that miss the event by less than alpha times the true remaining time; alpha : 0..1."""
    slack = alpha * (event_h - prediction.at_h)
    return float(np.mean((prediction.event_h > event_h - slack) & (prediction.event_h < event_h + slack)))


def alpha_lambda(
    predictions: Sequence[Prediction], event_h: float, at_h: float, alpha: float, beta: float
) -> bool | None:
    """Whether the first prediction from at_h on has at least a share beta of draws within alpha; None without one."""
    for prediction in sorted(predictions, key=lambda p: p.at_h):
        if prediction.at_h >= at_h:
            return within(prediction, event_h, alpha) >= beta
    return None


def prognostic_horizon(predictions: Sequence[Prediction], event_h: float, alpha: float, beta: float) -> float | None:
    """Hours before the event at which a share beta of a prediction's draws is first within alpha [h]; None if never."""
    for prediction in sorted(predictions, key=lambda p: p.at_h):
        if within(prediction, event_h, alpha) >= beta and event_h > prediction.at_h:
            return event_h - prediction.at_h
    return None


def relative_accuracy(mean_h: float, true_h: float) -> float:
    """1 - |error| / truth: 1 where exact, negative where the error exceeds the truth."""
    return 1.0 - abs(true_h - mean_h) / true_h


def cumulative_relative_accuracy(predictions: Sequence[Prediction], event_h: float) -> float:
    """Mean over the predictions of the relative accuracy of their mean time of the event, counted from the origin."""
    return float(np.mean([relative_accuracy(float(p.event_h.mean()), event_h) for p in predictions]))


def cumulative_remaining_accuracy(predictions: Sequence[Prediction], event_h: float) -> float:
    """Mean over the predictions of the relative accuracy of their mean remaining time, as the paper weighs it."""
    return float(np.mean([
        relative_accuracy(float(p.event_h.mean()) - p.at_h, event_h - p.at_h) for p in predictions
    ]))  # fmt: skip
