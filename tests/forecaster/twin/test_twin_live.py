"""The live site tells its scenario in messages, the same however finely it is stepped."""

from __future__ import annotations

import json
from collections import Counter

import pytest

from forecaster.domain.runs import Supply
from forecaster.twin.live import PLAN_DAYS, LiveSite, Scenario

START_MS = 1_772_510_706_000


def test_the_story() -> None:
    live = LiveSite(seed=2, start_ms=START_MS, scenario=Scenario(fail_after_s=1200.0))
    live.step(1100.0)
    assert live.state().supply is Supply.MAINS
    assert live.state().reserve_in_h is None
    live.step(200.0)
    at_failure = live.state()
    assert at_failure.supply is Supply.PACK
    assert at_failure.reserve_in_h is not None
    assert 10.0 < at_failure.reserve_in_h < 24.0
    live.step(12.5 * 3600.0)
    low = live.state()
    assert 5.0 < low.charge_percent < 40.0
    assert low.inflow_l_per_min < at_failure.inflow_l_per_min
    live.step(12 * 3600.0)
    back = live.state()
    assert back.supply is Supply.MAINS
    assert back.charge_percent > 95.0
    live.step(22.0 * 3600.0)
    assert live.state().supply is Supply.PACK


@pytest.mark.slow
def test_the_cadence_does_not_depend_on_the_step() -> None:
    one, many = LiveSite(seed=3, start_ms=START_MS), LiveSite(seed=3, start_ms=START_MS)
    whole = one.step(7200.0)
    parts = [message for _ in range(720) for message in many.step(10.0)]
    of_plug = [[(m.topic, m.at_ms) for m in told if "/plug/" in m.topic] for told in (whole, parts)]
    assert of_plug[0] == of_plug[1]
    assert len(whole) == pytest.approx(len(parts), rel=0.01)


def test_every_channel_speaks_and_every_payload_is_json() -> None:
    live = LiveSite(seed=4, start_ms=START_MS)
    told = live.step(6 * 3600.0 + 60.0)
    topics = Counter(message.topic for message in told)
    assert set(topics) == {channel.topic for channel in live.site.channels}
    assert all(isinstance(json.loads(message.payload), dict) for message in told)
    assert [m.at_ms for m in told] == sorted(m.at_ms for m in told)


@pytest.mark.slow
def test_it_goes_on_for_ever() -> None:
    live = LiveSite(seed=5, start_ms=START_MS)
    live.step((PLAN_DAYS - 0.01) * 86_400.0)
    before = live.now_ms
    told = live.step(1800.0)
    assert live.now_ms == before + 1_800_000
    assert told[-1].at_ms > before + 1_700_000
    assert live.state().charge_percent > 99.0
