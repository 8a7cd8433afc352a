"""An outage in words: the sentence, the figures, what happened when, what was asked, who was told, what was heard."""

from __future__ import annotations

from collections.abc import Iterator

from api.pages.contexts import DataTable, Fact, LogLine
from api.pages.facts import of_first
from api.pages.outagecontexts import AskedLine, OutageTold, ToldLine
from api.pages.outagestrip import outage_strip
from api.pages.pastends import ends_of
from api.pages.ports import PagePorts
from api.pages.recordpages import forecast_said, happened
from forecaster.alarms.present import read_by
from forecaster.domain.alarms import Alarm, AlarmTransition, TransitionKind
from forecaster.domain.quantities import Quantity
from forecaster.domain.records import Notice, NoticeOutcome
from forecaster.outage.heard import Heard
from forecaster.outage.story import OutageStory
from forecaster.texts.catalogue import Words
from forecaster.texts.doers import doer
from forecaster.texts.wording import Wording, unnamed

SHOWN = frozenset({
    TransitionKind.RAISED, TransitionKind.ACKNOWLEDGED, TransitionKind.CLEARED, TransitionKind.SHELVED,
    TransitionKind.UNSHELVED,
})  # fmt: skip
"""Changes of alarms in the timeline; that something was told anew is told by who was told."""

GAPS_SHOWN, GAPS_REPORTED = 6, 1
"""Gaps of a channel that are told one by one, on the page and in a report."""

Moment = tuple[int, str, str]
"""UTC milliseconds, words, kind."""


class OutageWords:
    """Words one outage for one reader.

    names : bool — whether the reader may see who was told
    zoned : bool — every clock time carries its zone, for what is passed on
    """

    def __init__(self, story: OutageStory, words: Words, *, names: bool, zoned: bool = False) -> None:
        self.story, self.words, self.names = story, words, names
        self.wording = Wording.of(story.site, words, zoned=zoned)
        self.start_ms = story.outage.start_ms

    def clock(self, at_ms: int) -> str:
        """A moment as it is said beside the outage's beginning: the day only where it is another."""
        return self.wording.clock(at_ms, self.start_ms)

    def within(self, at_ms: int) -> str:
        """The same within a sentence."""
        return self.wording.within(at_ms, self.start_ms)

    def title(self) -> str:
        """`Outage of Tue 3 Mar 2026, 02:12 CST`."""
        key = "story.title_rehearsal" if self.story.outage.rehearsal else "story.title"
        return self.words(key, start=self.wording.full(self.start_ms))

    def says(self) -> str:
        """When, how long, and what came, in a sentence."""
        outage, length = self.story.outage, self.wording.hours(self.story.lasted_h)
        key = "story.going" if outage.end_ms is None else "story.lasted"
        return self.words(key, start=self.wording.full(self.start_ms), length=length, happened=self.happened())

    def happened(self) -> str:
        """What came of the outage."""
        return happened(self.story.outage, self.wording, self.words)

    # -- figures
    def facts(self) -> tuple[Fact, ...]:
        """The figures; what was not measured says so."""
        story, wording, words = self.story, self.wording, self.words
        outage, water, energy = story.outage, story.water, story.energy
        charge = words(
            "story.charge_says",
            start=wording.percent(outage.start_charge_percent), low=wording.percent(outage.lowest_charge_percent),
        )  # fmt: skip
        cut = words("story.runs_cut") if story.runs_cut else ""
        return (
            Fact(words("story.came"), self.happened()),
            Fact(words("story.charge"), charge),
            Fact(words("story.forecast"), forecast_said(outage, wording, words)),
            Fact(words("story.out"), self._measured(energy.out_wh)),
            Fact(words("story.pump"), self._measured(energy.pump_wh)),
            Fact(words("story.in"), self._measured(energy.in_wh)),
            Fact(words("story.water"), *self._water()),
            Fact(
                words("story.runs"), words("story.runs_says", n=water.runs, length=wording.duration(water.run_s)),
                " ".join(filter(None, [cut, of_first(story.site, words)])),
            ),
            Fact(words("story.rain"), self._rain()),
            Fact(words("story.told_first"), self._first_told()),
            Fact(words("story.seen_first"), self._first_seen()),
        )  # fmt: skip

    def _measured(self, energy_wh: float | None) -> str:
        return self.words("story.not_measured") if energy_wh is None else self.wording.energy(energy_wh)

    def _rain(self) -> str:
        fell_mm = self.story.water.rain_mm
        return self.words("story.not_measured") if fell_mm is None else self.wording.rain(fell_mm)

    def _water(self) -> tuple[str, str]:
        water = self.story.water
        if water.inflow_l is None:
            return self.words("story.not_measured"), ""
        said = self.words(
            "story.water_says", volume=self.wording.volume(water.inflow_l), peak=self.wording.flow(water.peak_l_per_min)
        )
        return said, self.words("story.water_share", share=self.wording.percent(100.0 * water.known_share))

    def _first_told(self) -> str:
        told = [one.at_ms for one in self.story.notices if one.outcome is NoticeOutcome.TOLD]
        return self._after(min(told)) if told else self.words("story.told_nobody")

    def _first_seen(self) -> str:
        seen = [alarm.acknowledged_ms for alarm in self.story.alarms if alarm.acknowledged_ms is not None]
        return self._after(min(seen)) if seen else self.words("story.seen_nobody")

    def _after(self, at_ms: int) -> str:
        return self.words("story.told_first_says", after=self.wording.duration((at_ms - self.start_ms) / 1000.0))

    # -- what happened when
    def timeline(self) -> tuple[LogLine, ...]:
        """Everything with its time, oldest first."""
        moments = sorted(self._moments(), key=lambda moment: moment[0])
        return tuple(
            LogLine(self.clock(at_ms), self.wording.local(at_ms).isoformat(timespec="seconds"), said, kind)
            for at_ms, said, kind in moments
        )

    def _moments(self) -> Iterator[Moment]:
        outage, words = self.story.outage, self.words
        yield outage.start_ms, words("story.began_rehearsal" if outage.rehearsal else "story.began"), "supply"
        if outage.reached_reserve_ms is not None:
            yield outage.reached_reserve_ms, words("story.reserve"), "supply"
        if outage.end_ms is not None:
            yield outage.end_ms, words("story.back"), "supply"
        for change in self.story.changes:
            if change.kind in SHOWN:
                yield change.at_ms, self._change(change), "alarm"
        for notice in self.story.notices:
            if notice.outcome is NoticeOutcome.TOLD:
                yield notice.at_ms, self._told(notice), "told"
        for one, (from_ms, to_ms) in self.story.gaps:
            length = self.wording.duration((to_ms - from_ms) / 1000.0)
            yield from_ms, words("story.gap", quantity=quantity_name(one, words), length=length), "gap"

    def _change(self, change: AlarmTransition) -> str:
        kind = self.words(f"alarms.kind.{change.alarm.kind.value}")
        if change.kind is TransitionKind.ACKNOWLEDGED:
            return self.words("story.acknowledged", kind=kind, who=self._who(change.alarm.acknowledged_by))
        if change.kind is TransitionKind.RAISED:
            said = read_by(change.alarm, self.story.site.name, self.words).headline
            return self.words("story.alarm", headline=unnamed(said, self.story.site.name, self.words))
        return self.words("story.change", kind=kind, change=self.words(f"alarms.change.{change.kind.value}"))

    def _told(self, notice: Notice) -> str:
        return self.words(
            "story.told", who=self._who(notice.who), channel=self.words(f"channel.{notice.channel}"),
            kind=self._kind_of(notice),
        )  # fmt: skip

    def _kind_of(self, notice: Notice) -> str:
        found = next(alarm for alarm in self.story.alarms if alarm.id == notice.alarm_id)
        return self.words(f"alarms.kind.{found.kind.value}")

    def _who(self, name: str | None) -> str:
        return doer(name, self.words) if self.names and name else self.words("story.someone")

    # -- alarms and people
    def asked(self) -> tuple[AskedLine, ...]:
        """What each alarm asked, by when, and who answered."""
        return tuple(map(self._asked, self.story.alarms))

    def _asked(self, alarm: Alarm) -> AskedLine:
        words, said = self.words, read_by(alarm, self.story.site.name, self.words)
        states = [words("story.raised", time=self.within(alarm.raised_ms))]
        if alarm.acknowledged_ms is None:
            states.append(words("story.nobody"))
        else:
            who = self._who(alarm.acknowledged_by)
            states.append(words("alarms.acknowledged", who=who, time=self.within(alarm.acknowledged_ms)))
        if alarm.cleared_ms is not None:
            states.append(words("story.over", time=self.within(alarm.cleared_ms)))
        asked = words("story.asked", action=said.action) if said.action else ""
        return AskedLine(
            mark=alarm.priority.value, priority=words(f"alarms.priority.{alarm.priority.value}"),
            kind=words(f"alarms.kind.{alarm.kind.value}"),
            headline=unnamed(said.headline, self.story.site.name, words), asked=asked, states=tuple(states),
        )  # fmt: skip

    def people(self) -> tuple[ToldLine, ...]:
        """Every message to a person, oldest first."""
        return tuple(
            ToldLine(
                self._who(one.who), self.words(f"channel.{one.channel}"), self._kind_of(one),
                self.words(f"alarms.outcome.{one.outcome.value}", time=self.within(one.at_ms)),
            )
            for one in self.story.notices
        )  # fmt: skip

    # -- completeness
    def heard(self, most_gaps: int = GAPS_SHOWN) -> DataTable:
        """How completely each channel was heard, with so many of its gaps one by one."""
        keys = ("heard_channel", "heard_count", "heard_share", "heard_gaps")
        head = tuple(self.words(f"story.{key}") for key in keys)
        return DataTable(
            self.words("story.heard"), head, tuple(self._heard(one, most_gaps) for one in self.story.heard)
        )

    def _heard(self, one: Heard, most_gaps: int) -> tuple[str, ...]:
        words, gaps = self.words, one.gaps
        share = words("story.heard_silent") if one.share is None else self._share(one.share)
        lines = [
            words(
                "story.gap_line",
                start=self.clock(from_ms), end=self.clock(to_ms), length=self.wording.duration((to_ms - from_ms) / 1e3),
            )
            for from_ms, to_ms in gaps[:most_gaps]
        ]  # fmt: skip
        if len(gaps) > most_gaps:
            lines.append(words("story.gaps_more", n=len(gaps) - most_gaps))
        return quantity_name(one, words), str(one.count), share, ", ".join(lines) or words("story.heard_whole")

    def _share(self, share: float) -> str:
        """A share in percent: 100 only where nothing is missing, 0 only where nothing was heard."""
        if share <= 0.0:
            return self.words("story.heard_never")
        return self.wording.percent(100.0 if share >= 1.0 else min(99.0, max(1.0, 100.0 * share)))

    # -- all of it
    def text(self) -> list[str]:
        """The story as lines of text."""
        words, heard = self.words, self.heard()
        told = [f"  {line.who}, {line.channel}, {line.of}: {line.became}" for line in self.people()]
        return [
            f"{self.story.site.name}. {self.says()}",
            "",
            *(f"{fact.name}: {f'{fact.value} ({fact.note})' if fact.note else fact.value}" for fact in self.facts()),
            "",
            words("story.timeline"),
            *(f"  {line.at}  {line.says}" for line in self.timeline()),
            "",
            words("story.people"),
            *(told or [f"  {words('story.people_none')}"]),
            "",
            heard.caption,
            *(f"  {name}: {share} ({gaps})" for name, _, share, gaps in heard.rows),
        ]


def quantity_name(one: Heard, words: Words) -> str:
    """The quantity in words, with the load that it is of."""
    name = words(f"quantity.{one.quantity.value}")
    return f"{name} ({one.subject})" if one.quantity is Quantity.LOAD_POWER else name


def outage_told(
    ports: PagePorts, story: OutageStory, words: Words, *, names: bool, zoned: bool = False, most: int | None = None
) -> OutageTold:
    """One outage for its page or its report.

    most : int | None — for a report: at most so many lines of what happened, and of who was told; None: all
    """
    teller = OutageWords(story, words, names=names, zoned=zoned)
    wide, tall = outage_strip(ports, story, teller.says(), words)
    timeline, people = teller.timeline(), teller.people()
    left = [0 if most is None else max(0, len(lines) - most) for lines in (timeline, people)]
    more, more_people = (words("story.more", n=n) if n else "" for n in left)
    return OutageTold(
        id=str(story.outage.start_ms), title=teller.title(), start=teller.wording.full(story.outage.start_ms),
        says=teller.says(), inferred=story.outage.inferred,
        facts=teller.facts(), strip_wide=wide, strip_tall=tall,
        ends=ends_of(story.site, story.outage, story.foreseen, story.until_ms, story.outage.start_ms, words),
        timeline=timeline[:most], asked=teller.asked(), people=people[:most],
        heard=teller.heard(GAPS_SHOWN if most is None else GAPS_REPORTED),
        rehearsal=story.outage.rehearsal, masked=not names and bool(story.notices),
        more=more, more_people=more_people,
    )  # fmt: skip
