"""Can it run: watts and volt-amperes against the continuous rating, everything on the pack together, and the cord."""

from __future__ import annotations

from forecaster.domain.site import Load, Pack, Pump
from forecaster.sizing.cord import Cord
from forecaster.sizing.draw import Draw
from forecaster.sizing.question import ObservedStart
from forecaster.sizing.terms import Answer, Band, Finding, Step, number, spanned

LIVE_RUN = "watch one whole run on this pack with the meter on, ten minutes if it can be kept running"


def together(draw: Draw | None, loads: tuple[Load, ...]) -> tuple[Band, Band]:
    """Watts and volt-amperes with everything on at once; the loads are taken at power factor 1."""
    others = sum(load.watts for load in loads)
    if draw is None:
        return Band(others, others, others), Band(others, others, others)
    w, va = draw.w, draw.va
    return (
        Band(w.low + others, w.mid + others, w.high + others),
        Band(va.low + others, va.mid + others, va.high + others),
    )


def _by_watts(w: Band, pack: Pack, run_s: float | None, what: str) -> Finding:
    rating = pack.continuous_w
    if rating is None:
        return Finding(
            Answer.UNPROVEN,
            "the pack's continuous rating is not stated",
            f"find continuous_w on its label, or {LIVE_RUN}",
        )
    if w.high <= rating:
        return Finding(Answer.YES, f"{what} takes {spanned(w, 'W')}, within {number(rating)} W continuous")
    if w.low > rating:
        return _above_continuous(w, pack, run_s, what)
    return Finding(
        Answer.UNPROVEN,
        f"{what} may take {spanned(w, 'W')}, on both sides of {number(rating)} W continuous",
        f"measure the running watts with a plug meter, or {LIVE_RUN}",
    )


def _above_continuous(w: Band, pack: Pack, run_s: float | None, what: str) -> Finding:
    """More than the continuous rating: only the surge could carry it, and a surge is for starting."""
    over = f"{what} takes {spanned(w, 'W')}, above {number(pack.continuous_w or 0.0)} W continuous"
    if pack.surge_w is None or w.low > pack.surge_w:
        return Finding(Answer.NO, over, "choose a pack with a greater continuous rating")
    carried = f"{over}, so its surge of {number(pack.surge_w)} W would have to carry the run"
    if pack.surge_s is None:
        return Finding(
            Answer.UNPROVEN,
            f"{carried}, for a time the pack does not state",
            f"choose a pack with more watts, or {LIVE_RUN}",
        )
    if run_s is not None and run_s < pack.surge_s:
        return Finding(
            Answer.UNPROVEN,
            f"{carried}; {number(pack.surge_s)} s of surge outlast a run of {number(run_s)} s, but not a longer one "
            "in a wet hour, nor surely one surge after another",
            f"choose a pack with more watts, or {LIVE_RUN}",
        )
    return Finding(
        Answer.NO,
        f"{carried}, and it holds for {number(pack.surge_s)} s only",
        "choose a pack with a greater continuous rating",
    )


def _by_va(va: Band, pack: Pack, what: str) -> Finding | None:
    """Volt-amperes against a VA rating, where one is given; None where they are within it."""
    if pack.continuous_va is None or va.high <= pack.continuous_va:
        return None
    if va.low > pack.continuous_va:
        said = f"{what} takes {spanned(va, 'VA')}, above {number(pack.continuous_va)} VA"
        return Finding(Answer.NO, said, "choose a pack with a greater VA rating")
    said = f"{what} may take up to {number(va.high)} VA, above {number(pack.continuous_va)} VA"
    return Finding(Answer.UNPROVEN, said, "measure volts and amps, or watts and power factor, with a plug meter")


def va_caution(va: Band, pack: Pack) -> str | None:
    """Where only watts are stated and the volt-amperes exceed them: an inverter's current limit may come first."""
    if pack.continuous_va is not None or pack.continuous_w is None or va.mid <= pack.continuous_w:
        return None
    return (
        f"The pump takes {spanned(va, 'VA')} while the pack states {number(pack.continuous_w)} W and no VA: an "
        "inverter's current limit may be met before its watts."
    )


def _by_cord(draw: Draw, pump: Pump, cord: Cord | None) -> Finding | None:
    if cord is None or pump.rated_voltage_v is None:
        return None
    amps = draw.va.mid / pump.rated_voltage_v
    if amps <= cord.ampacity_a:
        return None
    return Finding(
        Answer.NO,
        f"{number(amps)} A is more than a {cord.awg} AWG cord may carry ({number(cord.ampacity_a)} A)",
        "use a heavier or no cord",
    )


def _observed(seen: ObservedStart | None, run_s: float | None) -> Finding | None:
    """A whole run seen on this pack settles it, if the power was not pinned at the rating."""
    if seen is None or not seen.started or seen.run_s is None or seen.pinned:
        return None
    if run_s is not None and seen.run_s < 0.8 * run_s:
        return None
    watts = f" at {number(seen.watts)} W" if seen.watts is not None else ""
    return Finding(Answer.YES, f"it was seen to run on this pack for {number(seen.run_s)} s{watts}")


def can_run(
    draw: Draw | None, pump: Pump, pack: Pack, loads: tuple[Load, ...], run_s: float | None,
    cord: Cord | None, seen: ObservedStart | None,
) -> tuple[Finding, tuple[Step, ...]]:  # fmt: skip
    """Whether the pack carries the running draw, with everything else on it switched on at the same time."""
    w, va = together(draw, loads)
    steps = [Step("most at once", "running power + all other loads", w.mid, "W")]
    what = "the pump" if not loads else "the pump with all other loads on" if draw else "everything at once"
    if cord is not None and draw is not None and pump.rated_voltage_v is not None:
        amps = draw.va.mid / pump.rated_voltage_v
        volts = cord.drop_v(amps)
        steps.append(Step("cord drop, running", f"{number(amps)} A x {number(cord.resistance_ohm)} ohm", volts, "V"))
    stopped = _by_cord(draw, pump, cord) if draw is not None else None
    if stopped is not None:
        return stopped, tuple(steps)
    witnessed = _observed(seen, run_s)
    if witnessed is not None:
        return witnessed, tuple(steps)
    watts = _by_watts(w, pack, run_s, what)
    amperes = _by_va(va, pack, what)
    if watts.answer is not Answer.YES or amperes is None:
        worse = amperes if amperes is not None and amperes.answer is Answer.NO else watts
        return worse, tuple(steps)
    return amperes, tuple(steps)
