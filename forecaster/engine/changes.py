"""Why the end moved between two forecasts: the water, the charge and the loads each with its hours, and the doubt."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise, permutations

from forecaster.domain.forecast import Forecast
from forecaster.domain.runs import Supply
from forecaster.domain.times import HOUR_MS

PARTS = ("inflow", "charge", "loads")

MOST_CHARGING_W = 5.0
"""What charges the pack on the pack beyond this is not told apart from the water, and nothing is said [W]."""


@dataclass(frozen=True, slots=True)
class EndShift:
    """How far the end moved, in hours; later is positive.

    middle_h = inflow_h + charge_h + loads_h, early_h = middle_h + doubt_h: they add up.

    since_ms, until_ms : int — when the two forecasts were issued [UTC milliseconds]
    inflow_h : float — the pump takes less or more than was foreseen
    charge_h : float — the pack holds more or less above its floor than was foreseen for this moment
    loads_h : float — the other loads and the inverter's own draw have changed
    doubt_h : float — the early end has come nearer to the middle, or gone further from it
    """

    since_ms: int
    until_ms: int
    middle_h: float
    early_h: float
    inflow_h: float
    charge_h: float
    loads_h: float
    doubt_h: float


@dataclass(frozen=True, slots=True)
class _Account:
    """What a forecast reckons with from a moment on.

    usable_wh : float — above the floor [Wh]
    other_w : float — loads and the pack itself [W]
    pump : sequence of (h, Wh) — what the pump has taken by then, rising from (0, 0)
    """

    usable_wh: float
    other_w: float
    pump: Sequence[tuple[float, float]]

    def pump_wh(self, hours: float) -> float:
        """What the pump has taken after some hours; beyond the last point on at the last pace."""
        times = [at for at, _ in self.pump]
        index = min(max(bisect_left(times, hours), 1), len(times) - 1)
        (before, low), (after, high) = self.pump[index - 1], self.pump[index]
        return low + (high - low) * (hours - before) / (after - before)

    def after(self, hours: float) -> _Account:
        """The same as foreseen for some hours later."""
        gone_wh = self.pump_wh(hours)
        rest = [(at - hours, wh - gone_wh) for at, wh in self.pump if at > hours]
        pace = self.pump_wh(hours + 1.0) - gone_wh
        ahead = [(0.0, 0.0), *(rest or [(1.0, pace)])]
        return _Account(self.usable_wh - gone_wh - self.other_w * hours, self.other_w, ahead)

    def end_h(self) -> float | None:
        """Hours until all is used; None where it never is."""
        spent = 0.0
        for (before, low), (after, high) in pairwise(self.pump):
            rate = (high - low) / (after - before) + self.other_w
            if rate > 0.0 and spent + rate * (after - before) >= self.usable_wh:
                return before + (self.usable_wh - spent) / rate
            spent += rate * (after - before)
        (before, low), (after, high) = self.pump[-2:]
        rate = (high - low) / (after - before) + self.other_w
        return after + (self.usable_wh - spent) / rate if rate > 0.0 else None


def end_shift(then: Forecast, now: Forecast, reserve_percent: float) -> EndShift | None:
    """Why the end of `now` is another than that of `then`; None where the two cannot be compared.

    What was foreseen for the moment of `now` is compared with what is seen there. Each part is changed alone in every
    order, and its hours are the mean over the orders (the value of Shapley, so that the parts add up).
    """
    before, after = account_of(then, reserve_percent), account_of(now, reserve_percent)
    early, again = then.hours_remaining.p10, now.hours_remaining.p10
    passed_h = _on_pack_h(then, now)
    if before is None or after is None or early is None or again is None or passed_h is None:
        return None
    foreseen = before.after(passed_h)
    if foreseen.usable_wh <= 0.0:
        return None
    shares = _shares(foreseen, after)
    if shares is None:
        return None
    middle_h, early_h = sum(shares.values()), again - (early - passed_h)
    return EndShift(
        then.issued_at_ms, now.issued_at_ms, middle_h, early_h,
        shares["inflow"], shares["charge"], shares["loads"], early_h - middle_h,
    )  # fmt: skip


def _on_pack_h(then: Forecast, now: Forecast) -> float | None:
    """Hours of what `then` foresaw that have passed: on mains nothing runs down; None for a mains that came back."""
    if now.supply is Supply.MAINS:
        return 0.0 if then.supply is Supply.MAINS else None
    began_ms = then.issued_at_ms
    if then.supply is Supply.MAINS:
        began_ms = max(began_ms, now.supply_since_ms or began_ms)
    return max(now.issued_at_ms - began_ms, 0) / HOUR_MS


def account_of(forecast: Forecast, reserve_percent: float) -> _Account | None:
    """What a forecast reckons with, so that it is used up exactly at the middle of its range.

    None where that is not known, or something charges the pack: how that goes on is no part of the document.
    """
    hours, usable_wh, draw = forecast.hours_remaining.p50, forecast.usable_wh, forecast.draw
    if hours is None or hours <= 0.0 or usable_wh is None or usable_wh <= 0.0 or draw is None:
        return None
    if draw.charging_w > MOST_CHARGING_W:
        return None
    other_w = draw.loads_w + draw.pack_w
    whole = usable_wh - other_w * hours
    shape = _pump_shape(forecast, reserve_percent, usable_wh, other_w)
    at_end = _Account(usable_wh, 0.0, shape).pump_wh(hours)
    if whole <= 0.0 or at_end <= 0.0:
        return _Account(usable_wh, other_w, [(0.0, 0.0), (hours, whole)])
    return _Account(usable_wh, other_w, [(at, wh * whole / at_end) for at, wh in shape])


def _pump_shape(
    forecast: Forecast, reserve_percent: float, usable_wh: float, other_w: float
) -> Sequence[tuple[float, float]]:
    """How the pump's energy adds up ahead [(h, Wh)], from the path of the charge less what else is drawn."""
    path = forecast.drain_path
    even = [(0.0, 0.0), (1.0, 1.0)]
    if len(path) < 2 or path[0].p50 <= reserve_percent:
        return even
    start = path[0]
    wh_a_percent = usable_wh / (start.p50 - reserve_percent)
    found = [(0.0, 0.0)]
    for point in path[1:]:
        at_h = (point.at_ms - start.at_ms) / HOUR_MS
        taken = max((start.p50 - point.p50) * wh_a_percent - other_w * at_h, found[-1][1])
        if point.p50 > 0.0 and at_h > found[-1][0]:
            found.append((at_h, taken))
    return found if len(found) > 1 and found[-1][1] > 0.0 else even


def _shares(before: _Account, after: _Account) -> dict[str, float] | None:
    """Each part's hours; None where some mixture of the two has no end."""
    shares = dict.fromkeys(PARTS, 0.0)
    orders = list(permutations(PARTS))
    for order in orders:
        changed: set[str] = set()
        last = _mixed(before, after, changed).end_h()
        for part in order:
            changed.add(part)
            end = _mixed(before, after, changed).end_h()
            if last is None or end is None:
                return None
            shares[part] += (end - last) / len(orders)
            last = end
    return shares


def _mixed(before: _Account, after: _Account, changed: set[str]) -> _Account:
    return _Account(
        (after if "charge" in changed else before).usable_wh,
        (after if "loads" in changed else before).other_w,
        (after if "inflow" in changed else before).pump,
    )
