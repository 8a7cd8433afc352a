"""One line of the list of all sites in words: what is the matter, what to do, until when, and who has been told."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from api.pages.acting import apart
from api.pages.livecontexts import FleetLine
from api.pages.moments import zone_words
from api.pages.triage import Triaged
from forecaster.alarms.absence import is_paused
from forecaster.alarms.present import read_by, retold
from forecaster.domain.alarms import Alarm
from forecaster.domain.forecast import Basis, Forecast
from forecaster.domain.records import Notice, NoticeOutcome
from forecaster.domain.runs import Supply
from forecaster.domain.times import HOUR_MS
from forecaster.texts.catalogue import Words
from forecaster.texts.doers import doer
from forecaster.texts.wording import Wording


class LineMaker:
    """Makes lines for one reader at one moment.

    zoned : bool — times name their zone, since the sites lie in several
    notices : who was told of alarms, by their ids
    names : bool — people may be named
    """

    def __init__(
        self,
        words: Words,
        now_ms: int,
        *,
        zoned: bool,
        notices: Callable[[Sequence[str]], list[Notice]],
        names: bool,
    ) -> None:
        self.words, self.now_ms, self.zoned, self.names = words, now_ms, zoned, names
        self._notices = notices

    def lines(self, part: Sequence[Triaged]) -> tuple[FleetLine, ...]:
        """Lines for some sites."""
        gravest = [one.gravest.id for one in part if one.gravest is not None]
        told: dict[str, list[str]] = {}
        for notice in self._notices(gravest) if gravest else ():
            heard = told.setdefault(notice.alarm_id, [])
            if notice.outcome is NoticeOutcome.TOLD and notice.who not in heard:
                heard.append(notice.who)
        return tuple(self._line(one, told) for one in part)

    def _line(self, one: Triaged, told: dict[str, list[str]]) -> FleetLine:
        wording, forecast, gravest = Wording.of(one.site, self.words), one.forecast, one.gravest
        heard_ms = None if forecast is None or forecast.data_age_s is None else heard_at(forecast)
        age_s = None if heard_ms is None else max(0.0, (self.now_ms - heard_ms) / 1000.0)
        percent = None if forecast is None else forecast.charge_percent
        return FleetLine(
            id=one.site.id,
            name=one.site.name,
            groups=", ".join(one.site.groups),
            urgency=one.urgency.value,
            mark="" if gravest is None else gravest.priority.value,
            priority="" if gravest is None else self.words(f"alarms.priority.{gravest.priority.value}"),
            alarms=self._alarms(one),
            action="" if gravest is None else self._action(one, gravest),
            told="" if gravest is None else self._told(one, gravest, told.get(gravest.id, []), wording),
            reserve_at="" if forecast is None else until_words(forecast, wording, self.words, self.now_ms),
            range="" if forecast is None else range_words(forecast, wording, self.words, self.now_ms),
            zone=zone_words(self.now_ms, wording, self.words) if self.zoned and forecast is not None else "",
            left="" if forecast is None else self._left(forecast, wording),
            percent=None if percent is None else round(percent),
            reserve=round(one.site.pack.reserve_percent),
            charge=self.words("fleet.unknown") if percent is None else wording.percent(percent),
            supply="" if forecast is None else self.words(f"fleet.supply_{forecast.supply.value}"),
            heard=self.words("age.never") if age_s is None else wording.ago(age_s),
            heard_ms=heard_ms,
            stale=forecast is None or forecast.basis is Basis.PROJECTED or age_s is None,
            on_pack=one.on_pack,
        )

    def _alarms(self, one: Triaged) -> str:
        """The alarm that stands, or is over and waits to be acknowledged; that there is none, or nobody can know."""
        if is_paused(one.site, self.now_ms):
            return self.words("fleet.paused")
        if not one.alarms:
            return self.words("fleet.unknown" if one.forecast is None else "fleet.no_alarm")
        first = self.words(f"alarms.kind.{one.alarms[0].kind.value}")
        if one.gravest is None:
            return self.words("fleet.over", kind=first)
        standing = sum(1 for alarm in one.alarms if alarm.cleared_ms is None)
        return first if standing == 1 else self.words("fleet.alarm_more", first=first, n=standing - 1)

    def _action(self, one: Triaged, alarm: Alarm) -> str:
        again = retold(alarm, one.site, one.forecast, self.words, self.now_ms)
        said = read_by(alarm, one.site.name, self.words).action if again is None else again.action
        return apart(said, self.words)[0]

    def _told(self, one: Triaged, alarm: Alarm, heard: Sequence[str], wording: Wording) -> str:
        """Who knows of the alarm."""
        if alarm.acknowledged_ms is not None:
            who = doer((alarm.acknowledged_by if self.names else "") or self.words("link.someone"), self.words)
            return self.words("alarms.acknowledged", who=who, time=wording.clock(alarm.acknowledged_ms, self.now_ms))
        if heard:
            return self.words("fleet.told", who=", ".join(heard) if self.names else self.words("reach.somebody"))
        return self.words("fleet.told_nobody" if one.told else "fleet.told_never")

    def _left(self, forecast: Forecast, wording: Wording) -> str:
        hours = forecast.hours_remaining.p50
        if hours is None or forecast.supply is Supply.MAINS:
            return ""
        return self.words("fleet.left_then", hours=wording.hours(hours))


def heard_at(forecast: Forecast) -> int:
    """When the newest reading was heard, as the forecast knows it [UTC milliseconds]."""
    return forecast.issued_at_ms - round((forecast.data_age_s or 0.0) * 1000.0)


def until_words(forecast: Forecast, wording: Wording, words: Words, now_ms: int) -> str:
    """`13:40`, or on mains `22 h held ready`."""
    hours = forecast.hours_remaining.p50
    if hours is None:
        return wording.beyond(forecast.horizon_h) if forecast.never_probability > 0.5 else words("fleet.unknown")
    if forecast.supply is Supply.MAINS:
        return words("fleet.held_then", hours=wording.hours(hours))
    return meant_clock(forecast, hours, wording, now_ms)


def range_words(forecast: Forecast, wording: Wording, words: Words, now_ms: int) -> str:
    """`12:05 to 16:30`; on mains nothing runs down, and there is none."""
    low, high = forecast.hours_remaining.p10, forecast.hours_remaining.p90
    if low is None or high is None or forecast.supply is Supply.MAINS:
        return ""
    ends = [meant_clock(forecast, hours, wording, now_ms) for hours in (low, high)]
    return words("fleet.range", low=ends[0], high=ends[1])


def meant_clock(forecast: Forecast, hours: float, wording: Wording, now_ms: int) -> str:
    """The clock some hours after the forecast's issue, rounded to what can be meant."""
    return wording.clock(wording.meant(round(forecast.issued_at_ms + hours * HOUR_MS), now_ms), now_ms)
