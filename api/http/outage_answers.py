"""The story of an outage as JSON, the same for the API and for `outlast report --outage --json`."""

from __future__ import annotations

from typing import Any

import msgspec

from api.http.answers import alarm_out, notice_out, outage_out
from forecaster.domain.alarms import AlarmTransition
from forecaster.domain.quantities import SPECS
from forecaster.engine.document import time_text
from forecaster.outage.heard import Heard
from forecaster.outage.story import Foreseen, OutageStory


def story_out(story: OutageStory, *, names: bool) -> dict[str, Any]:
    """A story; who was told and who acted only where names may be told."""
    return {
        "site": story.site.id,
        "name": story.site.name,
        "timezone": story.site.timezone,
        "outage": outage_out(story.outage),
        "until": time_text(story.until_ms),
        "lasted_h": story.lasted_h,
        "alarms": [
            {
                **alarm_out(alarm, names=names),
                "told": [notice_out(one, names=names) for one in story.notices if one.alarm_id == alarm.id],
            }
            for alarm in story.alarms
        ],
        "changes": [_change_out(change) for change in story.changes],
        "foreseen": [_foreseen_out(one) for one in story.foreseen],
        "energy": msgspec.to_builtins(story.energy),
        "water": msgspec.to_builtins(story.water),
        "channels": [_heard_out(one) for one in story.heard],
    }


def _change_out(change: AlarmTransition) -> dict[str, Any]:
    return {
        "at": time_text(change.at_ms),
        "alarm": change.alarm.id,
        "kind": change.alarm.kind.value,
        "change": change.kind.value,
        "priority": change.alarm.priority.value,
        "headline": change.alarm.headline,
    }


def _foreseen_out(one: Foreseen) -> dict[str, Any]:
    hours = one.hours
    return {"at": time_text(one.at_ms), "hours_remaining": {"p10": hours.p10, "p50": hours.p50, "p90": hours.p90}}


def _heard_out(one: Heard) -> dict[str, Any]:
    return {
        "quantity": one.quantity.value,
        "subject": one.subject,
        "unit": SPECS[one.quantity].unit,
        "readings": one.count,
        "heard_share": one.share,
        "gaps": [{"from": time_text(start_ms), "to": time_text(stop_ms)} for start_ms, stop_ms in one.gaps],
    }
