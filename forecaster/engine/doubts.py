"""Doubts about channels in the forecast: what the intake withholds from the engine is named in `degraded`."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from forecaster.domain.channels import ChannelFacts
from forecaster.domain.forecast import Forecast
from forecaster.texts.catalogue import Said

CHANNEL = "degraded.channel-"


def doubted(forecast: Forecast, channels: Iterable[ChannelFacts]) -> Forecast:
    """The forecast with the present doubts about its site's channels among its reasons, replacing earlier ones."""
    told = [
        Said(f"degraded.channel-{doubt.kind.value}", channel=channel.name)
        for channel in channels
        for doubt in channel.doubts
    ]
    others = [r for r in forecast.degraded if not (isinstance(r, Said) and r.key.startswith(CHANNEL))]
    reasons = (*others, *told)
    return forecast if reasons == forecast.degraded else replace(forecast, degraded=reasons)
