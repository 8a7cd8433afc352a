"""How much one run of the pump uses, steadier than one sampled run tells it.

Each run empties the same drawdown volume V, so with the pump's rate Qp and the inflow Qi a run takes V/(Qp-Qi) and a
cycle T = V/(Qp-Qi) + V/Qi (MIL-HDBK-1005/9A 2.5.3.6 Eq. 1-2). With t0 = V/Qp the duty d = Qi/Qp solves
d (1 - d) = t0 / T, and a run takes t0 / (1 - d). So the size at no inflow is what is learnt, over many runs where the
sampling is coarse for one, and every run is scaled to its own cycle.
"""

from __future__ import annotations

import math

import msgspec

_DRIFT = 0.002**2
_FIRST_NOISE = 0.05
_NOISE_GAIN = 0.04
_FINE, _COARSE = 0.25, 0.6
_BRANCH = 0.9
_LONG = 0.35
_OUTLIER = 3.0
_HALF_TRUST = 60.0
"""A level that rests on n runs steadies the sum over fewer than n; over more, the runs themselves are better."""


class RunSize(msgspec.Struct):
    """Energy [Wh] and length [s] of a run at no inflow: a local level with a noise that is learnt.

    variance : float — of the level, relative
    noise : float — of one run about it, relative variance
    """

    wh: float = 0.0
    s: float = 0.0
    variance: float = 1.0
    noise: float = _FIRST_NOISE
    count: int = 0

    def refine(self, raw_wh: float, raw_s: float, cycle_s: float | None, sample_s: float) -> tuple[float, float]:
        """Take a run as sampled; returns its energy [Wh] and length [s] as they most likely were.

        cycle_s : float | None — since the start before [s]; None: not known
        sample_s : float — between samples [s]; 0 for reports on change
        """
        if cycle_s is None or cycle_s <= 0.0 or raw_s <= 0.0 or raw_wh <= 0.0:
            return raw_wh, raw_s
        duty = self._duty(raw_s, cycle_s)
        if duty is None:
            duty = min(raw_s / cycle_s, 0.97)
            self._learn(raw_wh * (1.0 - duty), raw_s * (1.0 - duty))
            return raw_wh, raw_s
        self._learn(raw_wh * (1.0 - duty), raw_s * (1.0 - duty))
        share = (sample_s / max(self.s / (1.0 - duty), 1e-3) - _FINE) / (_COARSE - _FINE)
        trust = min(max(share, 0.0), 1.0) * self.count / (self.count + _HALF_TRUST)
        wh = trust * self.wh / (1.0 - duty) + (1.0 - trust) * raw_wh
        return wh, trust * self.s / (1.0 - duty) + (1.0 - trust) * raw_s

    def _duty(self, raw_s: float, cycle_s: float) -> float | None:
        """Share of time the pump runs in a cycle of a length, 0..0.5. None where it is not known, or runs so long that
        its sampled share is the better one.
        """
        product = 4.0 * self.s / cycle_s
        if self.count < 8 or product >= _BRANCH or raw_s > _LONG * cycle_s:
            return None
        return (1.0 - math.sqrt(1.0 - product)) / 2.0

    def at_mean_w(self, mean_w: float) -> tuple[float, float] | None:
        """Energy [Wh] and length [s] of a run where the pump's mean power is mean_w [W]; None before it is known."""
        if self.count < 3 or self.s <= 0.0:
            return None
        duty = min(mean_w / (self.wh / self.s * 3600.0), 0.985)
        return self.wh / (1.0 - duty), self.s / (1.0 - duty)

    def _learn(self, wh: float, seconds: float) -> None:
        self.count += 1
        if self.count == 1 or self.wh <= 0.0:
            self.wh, self.s, self.variance = wh, seconds, self.noise
            return
        stray = wh / self.wh - 1.0
        most = _OUTLIER * math.sqrt(self.noise + self.variance)
        gain_noise = max(_NOISE_GAIN, 1.0 / (self.count + 2.0))
        self.noise = max(self.noise + gain_noise * (min(stray * stray, 2.0 * most * most) - self.noise), 1e-5)
        self.variance += _DRIFT
        gain = self.variance / (self.variance + self.noise)
        self.variance *= 1.0 - gain
        if abs(stray) > most and self.count > 20:
            gain *= most / abs(stray)
        self.wh += gain * (wh - self.wh)
        self.s += gain * (seconds - self.s)
