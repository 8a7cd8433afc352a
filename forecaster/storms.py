"""Storms that nobody has announced: how often they come, how large, and what they would add ahead.

Storms arrive as a Poisson process with exponential sizes (Rodriguez-Iturbe, Cox, Isham 1987, Proc. R. Soc. A 410: the
Poisson model of rain, here with its response rather than its rain). Rate and size are learnt from the site's own past,
starting from a stated prior.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from forecaster.noise import uniforms

Array = NDArray[np.float64]

PRIOR_RATE_PER_H = 1.0 / 100.0
"""Rain that reaches a pit comes about every four days (common practice, no source)."""

PRIOR_WEIGHT_H = 300.0
"""How many hours of watching the prior rate is worth [h]."""

PRIOR_STORMS = 3.0
"""How many storms the prior size is worth."""

DRY_H = 6.0
"""Rain after this many dry hours is a new storm [h] (common practice: minimum inter-event time of 6 h)."""


@dataclass(slots=True)
class StormClimate:
    """What the site's past says of storms; sizes in the unit of their driver (W of pump power, or mm of rain).

    watched_h : float — hours looked at
    storms : float — storms seen
    total : float — their sizes summed
    prior_size : float — mean size believed before any was seen
    """

    prior_size: float
    watched_h: float = 0.0
    storms: float = 0.0
    total: float = 0.0
    open_size: float = 0.0
    dry_h: float = DRY_H

    def watch(self, span_h: float, amount: float) -> None:
        """A span [h] in which `amount` came down; 0 when dry."""
        self.watched_h += span_h
        if amount > 0.0:
            if self.dry_h >= DRY_H:
                self.close()
            self.dry_h = 0.0
            self.open_size += amount
        else:
            self.dry_h += span_h
            if self.dry_h >= DRY_H:
                self.close()

    def close(self) -> None:
        """Count the storm that has ended, if there was one of note."""
        if self.open_size > 0.15 * self.mean_size:
            self.storms += 1.0
            self.total += self.open_size
        self.open_size = 0.0

    @property
    def rate_per_h(self) -> float:
        """Posterior mean of the storm rate [1/h]: gamma prior, Poisson counts."""
        return (PRIOR_RATE_PER_H * PRIOR_WEIGHT_H + self.storms) / (PRIOR_WEIGHT_H + self.watched_h)

    @property
    def mean_size(self) -> float:
        """Mean size of a storm, prior and past together."""
        return (PRIOR_STORMS * self.prior_size + self.total) / (PRIOR_STORMS + self.storms)


@lru_cache(maxsize=32)
def unit_storms_wh(
    seed: int, draws: int, ahead_h: tuple[float, ...], rate_per_h: float, fast_h: float, slow_h: float, dry_h: float
) -> Array:
    """Pump energy ahead from storms of mean size 1 W [Wh], shape (draws, T), read-only.

    ahead_h : tuple of float, length T — times ahead [h]
    rate_per_h : float — storms per hour
    fast_h, slow_h : float — time constants of the two reservoirs [h]
    dry_h : float — hours from now that are known otherwise and hold no unannounced storm [h]

    A storm of size s at time u lifts the fast reservoir by s f and the slow one by s (1 - f), f uniform on 0.2..0.8.
    """
    times = np.asarray(ahead_h, dtype=np.float64)
    horizon = max(float(times[-1]) - dry_h, 0.0)
    most = max(1, int(np.ceil(rate_per_h * horizon + 3.0 * np.sqrt(rate_per_h * horizon))))
    u = uniforms(seed, draws, 3 * most)
    arrival = dry_h + np.cumsum(-np.log(u[:, :most]), axis=1) / rate_per_h
    size = -np.log(u[:, most : 2 * most])
    fast = 0.2 + 0.6 * u[:, 2 * most :]
    total = np.zeros((draws, times.size))
    for k in range(most):
        since = np.maximum(times[None, :] - arrival[:, k, None], 0.0)
        response = fast[:, k, None] * fast_h * -np.expm1(-since / fast_h)
        response += (1.0 - fast[:, k, None]) * slow_h * -np.expm1(-since / slow_h)
        total += size[:, k, None] * response
    total.setflags(write=False)
    return total
