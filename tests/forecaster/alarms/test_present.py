"""An outage's alarms as they would be told now: one end, and the chapter that speaks stands first."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forecaster.alarms.present import gravest_first, retold
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, Priority
from forecaster.domain.forecast import Quantiles
from forecaster.domain.runs import Supply
from forecaster.domain.times import HOUR_MS
from forecaster.texts.catalogue import languages, words
from tests.api.pagesample import forecast, site
from tests.scenario import NOW_MS


def alarm(kind: AlarmKind, priority: Priority = Priority.HIGH, raised_h: float = -3.0) -> Alarm:
    raised = NOW_MS + round(raised_h * HOUR_MS)
    return Alarm(
        id=f"larkspur:{kind}:{raised}", site="larkspur", kind=kind, priority=priority,
        state=AlarmState.UNACKNOWLEDGED, episode=raised, raised_ms=raised, changed_ms=raised,
        headline="Larkspur Lane cellar: told then.", action="By 01:00: told then.", consequence="", by_ms=raised,
    )  # fmt: skip


@pytest.mark.parametrize("code", languages())
def test_an_alarm_of_the_outage_tells_the_end_of_now(code: str) -> None:
    """11:54 and 13:36 Chicago are 0.8 and 1.0 of 8.5 h after 05:06, told to five minutes."""
    told = retold(alarm(AlarmKind.LOW_RESERVE), site(), forecast(), words(code), NOW_MS)
    assert told is not None
    assert "13:35" in told.headline
    assert "11:55" in told.action
    assert told.by_ms == NOW_MS + round(0.8 * 8.5 * HOUR_MS)
    assert "told then" not in told.headline + told.action


def test_what_is_over_on_mains_or_no_chapter_of_an_outage_stays_as_it_was_told() -> None:
    low = alarm(AlarmKind.LOW_RESERVE)
    back = forecast(supply=Supply.MAINS)
    for told, made in (
        (replace(low, cleared_ms=NOW_MS), forecast()), (low, back), (low, None),
        (alarm(AlarmKind.PUMP_SILENT), forecast()),
    ):  # fmt: skip
        assert retold(told, site(), made, words(), NOW_MS) is None


def test_an_outage_without_an_end_in_sight_is_told_as_such() -> None:
    endless = replace(forecast(), hours_remaining=Quantiles(), never_probability=1.0)
    told = retold(alarm(AlarmKind.MAINS_LOST), site(), endless, words(), NOW_MS)
    assert told is not None
    assert "for more than 14 days" in told.headline


def test_the_chapter_that_speaks_stands_before_those_it_covers() -> None:
    """The lost mains was raised first and is as high; the low reserve is what has to be acted on."""
    lost, low = alarm(AlarmKind.MAINS_LOST), alarm(AlarmKind.LOW_RESERVE, raised_h=-1.0)
    silent = alarm(AlarmKind.PUMP_SILENT, Priority.CRITICAL)
    over = replace(alarm(AlarmKind.HIGH_WATER, Priority.CRITICAL), cleared_ms=NOW_MS)
    shelved = replace(alarm(AlarmKind.PACK_TEMPERATURE, Priority.CRITICAL), state=AlarmState.SHELVED)
    order = [item.kind for item in gravest_first([shelved, over, lost, low, silent])]
    assert order == [item.kind for item in (silent, low, lost, over, shelved)]
