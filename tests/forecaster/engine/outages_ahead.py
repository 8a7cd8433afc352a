"""An outage of the simulated house, and how far off the forecasts made in it are."""

from __future__ import annotations

import math

from collector.decode.payload import Decoder
from forecaster.domain.site import Site
from forecaster.engine.core import Engine
from forecaster.twin.bank import BankTruth
from forecaster.twin.live import LiveSite, Scenario
from forecaster.twin.pair import PairTruth

START_MS = 1_772_500_000_000
FAIL_H = 12.0
"""When the mains fails [h]."""


def house_with(*, bank: BankTruth | None = None, pair: PairTruth | None = None) -> LiveSite:
    """The house, whose mains fails and stays away."""
    scenario = Scenario(fail_after_s=FAIL_H * 3600.0, outage_h=40.0, bank=bank, pair=pair)
    return LiveSite(seed=3, start_ms=START_MS, scenario=scenario)


def reserve_s(live: LiveSite) -> float:
    """When the reserve is really reached [s]; inf: it is not."""
    return live._plan.house.outages[0].reserve_s or math.inf


def median_errors(live: LiveSite, site: Site, ends_s: float) -> list[float]:
    """Of the medians of the outage, every 40 minutes from an hour and a half after it began: how far off, relative.

    site : the house as its site file has it; ends_s : when the reserve is really reached [s]
    """
    engine, decoder, found = Engine(site), Decoder([site]), []
    for stride_s in (*(3600.0,) * int(FAIL_H), 5400.0, *(2400.0,) * 7):
        for message in live.step(stride_s):
            for reading in decoder.decode(message.topic, message.payload, message.at_ms).readings:
                engine.update(reading)
        at_s = (live.now_ms - START_MS) / 1000.0
        median = engine.forecast(live.now_ms).hours_remaining.p50
        if at_s > FAIL_H * 3600.0 and ends_s - at_s > 1800.0:
            assert median is not None
            found.append(abs(3600.0 * median / (ends_s - at_s) - 1.0))
    return found
