"""The weekly letter: to a homeowner that all is well, to a manager which houses need them. It names no person.

Written from the facts of each house; the clock and the ledger are the caller's. One house's facts never stand in a
letter to somebody who is no contact of that house.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from api.offline.readiness import ReadyLine
from forecaster.alarms.plan import MAIL, AlarmMessage, delivery_key, due_ms_of
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, Priority, TransitionKind
from forecaster.domain.forecast import Forecast
from forecaster.domain.letters import Letter, LetterHouse, LetterSection
from forecaster.domain.records import Delivery
from forecaster.domain.runs import Outage
from forecaster.domain.site import Contact, Site, WeeklyLetter
from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.texts.catalogue import SOURCE, Words, words
from forecaster.texts.wording import Wording, unnamed

LETTER = "letter"
WEEK_MS = 7 * DAY_MS
HOUR = 8
"""Letters are written on Mondays from this local hour on: this project's own choice."""
TODAY = frozenset({"charge", "clock"})
"""Musts of "Before you leave" that are of the day; that somebody answered, and that the pack was tried, falls due."""
KEPT_MS = 6 * DAY_MS
"""How long a letter is tried; then the next one is near."""


@dataclass(frozen=True, slots=True)
class HouseWeek:
    """One house's week.

    forecast : Forecast | None — the newest, None where there is none or it is not of now
    standing : tuple[Alarm, ...] — alarms whose condition stands, gravest first
    untold : tuple[Alarm, ...] — alarms of the week that were to be told to people, and that nobody's receiver took
    outages : tuple[Outage, ...] — of the week, rehearsals left out
    unmet : tuple[ReadyLine, ...] — each must of "Before you leave" that is not held, in the reader's words
    """

    site: Site
    forecast: Forecast | None
    standing: tuple[Alarm, ...]
    untold: tuple[Alarm, ...]
    outages: tuple[Outage, ...]
    unmet: tuple[ReadyLine, ...]

    @property
    def troubles(self) -> tuple[Alarm, ...]:
        """Alarms that stand, but for the reminder that a test is due."""
        return tuple(alarm for alarm in self.standing if alarm.kind is not AlarmKind.TEST_DUE)

    @property
    def well(self) -> bool:
        """Whether nothing stands, nothing went untold, the house is heard, the pack charged and the clock right."""
        return self.forecast is not None and not (self.troubles or self.untold or self.lacking)

    @property
    def lacking(self) -> tuple[ReadyLine, ...]:
        """Of the musts not held those that change from day to day; the others are due, and no trouble of today."""
        return tuple(line for line in self.unmet if line.key in TODAY and self.forecast is not None)


def week_of(timezone: str, now_ms: int) -> tuple[str, int]:
    """The week that a moment belongs to: the date of its Monday, and when it began, at eight [UTC milliseconds]."""
    zone = ZoneInfo(timezone)
    local = datetime.fromtimestamp(now_ms / 1000.0, UTC).astimezone(zone)
    monday = local.date() - timedelta(days=local.weekday())
    begins = datetime(monday.year, monday.month, monday.day, HOUR, tzinfo=zone)
    if begins.timestamp() * 1000 > now_ms:
        monday -= timedelta(days=7)
        begins = datetime(monday.year, monday.month, monday.day, HOUR, tzinfo=zone)
    return monday.isoformat(), round(begins.timestamp() * 1000)


def letter_id(site: str, week: str) -> str:
    """What stands in the record in place of an alarm's id."""
    return f"{site}:{LETTER}:{week}"


def letter_delivery(contact: Contact, houses: Sequence[HouseWeek], week: str, now_ms: int) -> Delivery:
    """A contact's letter of a week about houses that they are a contact of, as the outbox keeps it."""
    site = houses[0].site
    language = contact.language or site.language or SOURCE
    write = manager_letter if contact.weekly_letter is WeeklyLetter.MANAGER else homeowner_letter
    found = write(houses, Wording.of(site, words(language), zoned=True), now_ms)
    alarm = _bare(letter_id(site.id, week), site.id, found, now_ms)
    message = AlarmMessage(
        key=alarm.id, site=site.id, site_name=site.name, timezone=site.timezone, units=site.units,
        transition=TransitionKind.RAISED, at_ms=now_ms, alarm=alarm, contact=contact.name, language=language,
        letter=found,
    )  # fmt: skip
    due_ms = due_ms_of(site, alarm, contact, now_ms)
    return Delivery(
        key=delivery_key(alarm.id, MAIL, contact.email or ""), channel=MAIL, receiver=contact.email or "",
        site=site.id, body=message.encode(), created_ms=due_ms, due_ms=due_ms, expires_ms=due_ms + KEPT_MS,
        who=contact.name, alarm_id=alarm.id,
    )  # fmt: skip


def _bare(alarm_id: str, site: str, said: Letter, now_ms: int) -> Alarm:
    return Alarm(
        alarm_id, site, AlarmKind.TEST_DUE, Priority.LOW, AlarmState.NORMAL, now_ms, now_ms, now_ms,
        headline=said.opening, action="", consequence="",
    )  # fmt: skip


def homeowner_letter(houses: Sequence[HouseWeek], wording: Wording, now_ms: int) -> Letter:
    """That all is well at a house, or what is not."""
    say, [house] = wording.words, houses
    state = "well" if house.well else "look"
    sections = [
        LetterSection(say("letter.stands"), _troubles(house, say, alone=True)),
        LetterSection(say("letter.untold"), _untold(house, wording, now_ms, alone=True)),
        LetterSection(say("letter.now"), _now(house, wording, now_ms)),
        LetterSection(say("letter.due"), _due(house, say, alone=True)),
    ]
    return Letter(
        subject=say(f"letter.subject.{state}", houses=house.site.name),
        opening=say(f"letter.opening.{state}", site=house.site.name, at=wording.within(now_ms, now_ms)),
        sections=tuple(section for section in sections if section.lines),
        closing=say("letter.closing"),
        houses=_named(houses),
    )


def manager_letter(houses: Sequence[HouseWeek], wording: Wording, now_ms: int) -> Letter:
    """Which houses need a manager, what is due, and what nobody was told."""
    say = wording.words
    needing = [house for house in houses if not house.well]
    well = [house for house in houses if house.well]
    own = {house.site.id: Wording.of(house.site, say, zoned=True) for house in houses}
    sections = [
        LetterSection(say("letter.need"), tuple(line for house in needing for line in _troubles(house, say))),
        LetterSection(
            say("letter.untold"),
            tuple(line for house in needing for line in _untold(house, own[house.site.id], now_ms)),
        ),
        LetterSection(say("letter.due"), tuple(line for house in houses for line in _due(house, say))),
        LetterSection(
            say("letter.well"),
            tuple(line for house in well for line in _now(house, own[house.site.id], now_ms, named=True)),
        ),
    ]
    first = (needing or well)[0].site.name
    more = len(needing or well) - 1
    led = first if not more else say("letter.and_more", site=first, n=more)
    state = "look" if needing else "well"
    return Letter(
        subject=say(f"letter.subject.{state}", houses=led),
        opening=say(
            "letter.opening.manager", houses=led, at=wording.within(now_ms, now_ms), needing=len(needing), n=len(houses)
        ),
        sections=tuple(section for section in sections if section.lines),
        closing=say("letter.closing"),
        houses=_named([*needing, *well]),
    )


def _named(houses: Sequence[HouseWeek]) -> tuple[LetterHouse, ...]:
    return tuple(LetterHouse(house.site.id, house.site.name) for house in houses)


def _troubles(house: HouseWeek, say: Words, *, alone: bool = False) -> tuple[str, ...]:
    """A line for each alarm that stands, with what to do, and one for a house that is not heard."""
    lines = [] if house.forecast is not None else [_of(house, say("letter.unheard"), say, alone=alone)]
    for alarm in house.troubles:
        said = alarm.said_in(say.code)
        headline = unnamed(said.headline, house.site.name, say)
        lines.append(_of(house, f"{headline} {said.action}".strip(), say, alone=alone))
    lines += [_of(house, f"{line.says} {line.do}", say, alone=alone) for line in house.lacking]
    return tuple(lines)


def _untold(house: HouseWeek, wording: Wording, now_ms: int, *, alone: bool = False) -> tuple[str, ...]:
    say = wording.words
    return tuple(
        _of(
            house, say("letter.untold.line", at=wording.clock(alarm.raised_ms, now_ms), what=headline), say, alone=alone
        )
        for alarm in house.untold
        for headline in [unnamed(alarm.said_in(say.code).headline, house.site.name, say)]
    )


def _due(house: HouseWeek, say: Words, *, alone: bool = False) -> tuple[str, ...]:
    """What "Before you leave" asks for, and a discharge test where one is due."""
    tests = [alarm.said_in(say.code) for alarm in house.standing if alarm.kind is AlarmKind.TEST_DUE]
    found = [f"{unnamed(alarm.headline, house.site.name, say)} {alarm.action}" for alarm in tests]
    found += [f"{line.says} {line.do}" for line in house.unmet if line.key not in TODAY]
    return tuple(_of(house, line, say, alone=alone) for line in found)


def _now(house: HouseWeek, wording: Wording, now_ms: int, *, named: bool = False) -> tuple[str, ...]:
    """Charge, how long it would last, and the failures of the week."""
    say, forecast = wording.words, house.forecast
    lines = []
    if forecast is not None:
        hours = forecast.hours_remaining
        lasts = wording.beyond(forecast.horizon_h) if hours.p10 is None else wording.hours_range(hours.p10, hours.p90)
        lines.append(say("letter.now.charge", charge=wording.percent(forecast.charge_percent), lasts=lasts))
    lengths = [((outage.end_ms or now_ms) - outage.start_ms) / HOUR_MS for outage in house.outages]
    longest = wording.hours(max(lengths, default=0.0))
    lines.append(say("letter.now.outages", n=len(lengths), longest=longest) if lengths else say("letter.now.no_outage"))
    return (_of(house, " ".join(lines), say, alone=False),) if named else tuple(lines)


def _of(house: HouseWeek, line: str, say: Words, *, alone: bool) -> str:
    """A line with its house's name in front, unless the letter is about that house alone."""
    return line if alone else say("alarm.named", site=house.site.name, headline=line)
