"""The strip of an outage, as far as it has come: charge, runs, water, rain, and who carried the pump."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from markupsafe import Markup

from api.pages.historydata import flow_scale
from api.pages.pen import draw
from api.pages.ports import PagePorts
from api.pages.strip import Layout, StripData, lying, standing
from api.pages.stripdata import StripWindow, charge_points, rain_steps, strip_words, supply_events
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Run
from forecaster.domain.times import HOUR_MS
from forecaster.outage.runs import all_runs
from forecaster.outage.story import OutageStory
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording
from forecaster.water.by_runs import inflow_steps, resampled

MARGIN_SHARE, LEAST_MARGIN_MS = 0.14, HOUR_MS // 4
MOST_STEPS, MOST_MARKS = 60, 800


def outage_strip(ports: PagePorts, story: OutageStory, said: str, words: Words) -> tuple[Markup, Markup]:
    """The drawing, lying and standing.

    said : what came, for those who do not see it
    """
    wording = Wording.of(story.site, words)
    data = strip_of(ports, story, wording, words)
    view = StripWindow(data.now_ms, data.start_ms, data.end_ms)
    spoken = replace(
        strip_words(story.site, wording, words, view, said, data.in_litres), chance="", chance_name="", chance_short=""
    )
    return draw(data, spoken, _lying(data)), draw(data, spoken, _standing(data))


def strip_of(ports: PagePorts, story: OutageStory, wording: Wording, words: Words) -> StripData:
    """What the strip draws, with a little of the time on mains before and after."""
    site, outage, now_ms = story.site, story.outage, ports.clock.now_ms()
    margin_ms = max(LEAST_MARGIN_MS, round(MARGIN_SHARE * (story.until_ms - outage.start_ms)))
    start_ms, end_ms = outage.start_ms - margin_ms, story.until_ms + margin_ms
    seen_ms = min(now_ms, end_ms)
    view = StripWindow(seen_ms, start_ms, end_ms)
    runs = all_runs(ports.ledger, site.id, start_ms, seen_ms)
    steps, in_litres = inflow_steps(runs, site.pit, story.pump_rate_l_per_min)
    mains = [(start_ms, outage.start_ms), *([] if outage.end_ms is None else [(outage.end_ms, seen_ms)])]
    return StripData(
        now_ms=now_ms if outage.end_ms is None else end_ms + 1,
        start_ms=start_ms,
        end_ms=end_ms,
        zone=wording.zone,
        charge=charge_points(ports, site, view),
        fan=(),
        survival=(),
        mains=[(begin_ms, stop_ms) for begin_ms, stop_ms in mains if begin_ms < stop_ms],
        runs=drawn_runs(runs, (end_ms - start_ms) // MOST_MARKS),
        water=resampled(steps, start_ms, end_ms, MOST_STEPS) if len(steps) > MOST_STEPS else steps,
        water_ahead=(),
        in_litres=in_litres,
        rain=rain_steps(ports, site, view),
        rain_ahead=(),
        reserve_percent=site.pack.reserve_percent,
        reserve_at=(None, outage.reached_reserve_ms, None),
        events=supply_events([outage], replace(view, now_ms=outage.start_ms), wording, words),
        water_scale=flow_scale(wording) if in_litres else 1.0,
        gaps=[gap for one, gap in story.gaps if one.quantity is Quantity.PACK_CHARGE],
    )


def drawn_runs(runs: Sequence[Run], width_ms: int) -> list[tuple[int, int]]:
    """Runs as marks (start, stop); those closer to each other than a mark is wide become one."""
    marks: list[tuple[int, int]] = []
    for run in runs:
        if marks and run.start_ms - marks[-1][1] < width_ms:
            marks[-1] = (marks[-1][0], max(marks[-1][1], run.stop_ms))
        else:
            marks.append((run.start_ms, run.stop_ms))
    return marks


def _lying(data: StripData) -> Layout:
    """Without the room for chances, which lie ahead."""
    return replace(lying(data.start_ms, data.end_ms), height=390)


def _standing(data: StripData) -> Layout:
    return replace(standing(data.start_ms, data.end_ms), charge=(132, 322))
