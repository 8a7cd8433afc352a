"""The facts below the strip: water, runs, draw, charge. What is not known is left out."""

from __future__ import annotations

from api.pages.contexts import Fact
from api.pages.stripdata import at
from forecaster.domain.forecast import Forecast, PackNow
from forecaster.domain.site import Site
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording


def facts_of(site: Site, forecast: Forecast | None, wording: Wording, words: Words, now_ms: int) -> tuple[Fact, ...]:
    """Facts below the strip; what is not known is left out."""
    if forecast is None:
        return ()
    found: list[Fact] = []
    water = forecast.water
    if water.inflow_l_per_min is not None:
        note = (
            words("now.water_halving", hours=wording.hours(water.halving_h))
            if water.halving_h is not None
            else words("now.water_steady")
        )
        if is_assumed(site, forecast):
            note = words("now.water_assumed", note=note)
        found.append(Fact(words("now.water"), wording.flow(water.inflow_l_per_min), note))
    if water.minutes_to_floor is not None:
        said = words("now.floor_says", time=wording.duration(water.minutes_to_floor * 60))
        found.append(Fact(words("now.floor_both" if forecast.pumps else "now.floor"), said))
    if forecast.cycles_per_hour is not None and forecast.run_s is not None:
        said = words(
            "now.runs_says", rate=words.number(forecast.cycles_per_hour, 1), length=wording.duration(forecast.run_s)
        )
        found.append(Fact(words("now.runs"), said))
    for pump in forecast.pumps:
        ran = None if pump.last_run_ms is None else (now_ms - pump.last_run_ms) / 1000.0
        last = words("now.pump_one_last", ago=wording.ago(ran))
        found.append(Fact(words("now.pump_one", pump=pump.id), words(f"now.pump_role.{pump.role}"), last))
    return (*found, *pack_facts(forecast, wording, words, now_ms))


def is_assumed(site: Site, forecast: Forecast) -> bool:
    """Whether the water is told by the pump's rated flow, since no drawdown or no run is known to tell it by."""
    measured = site.pit.drawdown_l is not None and forecast.cycles_per_hour and forecast.run_s
    return not measured and forecast.water.inflow_l_per_min is not None


def pack_facts(forecast: Forecast, wording: Wording, words: Words, now_ms: int) -> list[Fact]:
    """Facts of the pack."""
    found: list[Fact] = []
    if forecast.draw_w is not None:
        parts = ""
        if forecast.draw is not None:
            draw_parts = forecast.draw
            parts = words(
                "now.draw_parts",
                pump=wording.watts(draw_parts.pump_w),
                loads=wording.watts(draw_parts.loads_w),
                pack=wording.watts(draw_parts.pack_w),
            )
        found.append(Fact(words("now.draw"), words("now.draw_says", total=wording.watts(forecast.draw_w)), parts))
    if forecast.charge_percent is not None and forecast.usable_wh is not None:
        said = words(
            "now.charge_says", percent=f"{forecast.charge_percent:.0f}", energy=wording.energy(forecast.usable_wh)
        )
        found.append(Fact(words("now.charge"), said))
    for pack in forecast.packs:
        role = words(f"now.pack_role.{pack.role}")
        percent = "" if pack.charge_percent is None else f"{pack.charge_percent:.0f}"
        said = role if not percent else words("now.pack_one_says", percent=percent, role=role)
        energy = "" if not pack.usable_wh else words("now.pack_one_usable", energy=wording.energy(pack.usable_wh))
        found.append(Fact(pack_named(pack, words), said, energy))
    empty = at(forecast, forecast.hours_to_empty.p50)
    if empty is not None:
        found.append(Fact(words("now.empty"), words("now.empty_says", middle=wording.about(empty, now_ms))))
    if forecast.coverage is not None and forecast.coverage.count:
        hits, count = forecast.coverage.hits, forecast.coverage.count
        found.append(Fact(words("now.coverage"), words("now.coverage_says", hits=hits, count=count)))
    return found


def pack_named(pack: PackNow, words: Words) -> str:
    """One of several packs by its name, and where it feeds a pump of its own, by that."""
    if pack.pump is None:
        return words("now.pack_one", pack=pack.id)
    return words("now.pack_of_pump", pack=pack.id, pump=pack.pump)


def of_first(site: Site, words: Words) -> str:
    """Of two pumps, that runs and water shown are those of the first one; "" where there is one."""
    return words("now.of_first", name=site.pumps[0].id) if site.pumps else ""
