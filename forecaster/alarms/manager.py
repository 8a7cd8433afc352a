"""The alarm manager of one site: evidence in, transitions out. Pure: the clock is an argument.

States as in ANSI/ISA-18.2-2016 and IEC 62682. One episode for each cause; unknown evidence changes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from forecaster.alarms.absence import off_at
from forecaster.alarms.evidence import AlarmEvidence, Judgement, Outside, counter_wh, is_blind
from forecaster.alarms.grouping import (
    HUB_EVERY_MS,
    HUB_SHARE,
    OUTAGE,
    UPDATE_EVERY_MS,
    give_all_clear,
    has_room,
    is_news,
    leads_group,
    may_raise,
    milder,
    recurs,
    redundant,
    still_to_come,
    told_with_loss,
)
from forecaster.alarms.rules import RULES
from forecaster.alarms.rules_channels import channel_name
from forecaster.alarms.standing import ManagerState, Standing, ends
from forecaster.alarms.taking_up import state_from
from forecaster.alarms.telling import PROJECTING, Teller
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, AlarmTransition, TransitionKind
from forecaster.domain.errors import NotFound, UsageError
from forecaster.domain.forecast import Forecast
from forecaster.domain.runs import Supply
from forecaster.domain.site import AlarmLimits, Site
from forecaster.domain.status import SiteStatus
from forecaster.domain.times import HOUR_MS
from forecaster.texts.catalogue import Said

LONGEST_SHELF_MS = 7 * 24 * HOUR_MS
"""Shelving is limited in time (ANSI/ISA-18.2-2016)."""
NOTHING = Outside()


class AlarmManager:
    """The alarms of one site.

    site : Site
    limits : AlarmLimits | None — None: the site's own; others can be tried on a log
    """

    def __init__(self, site: Site, limits: AlarmLimits | None = None) -> None:
        self.site = site
        self.limits = site.alarms if limits is None else limits
        self._teller = Teller(site)
        self._state = ManagerState()

    # -- the fold
    def step(
        self, status: SiteStatus, forecast: Forecast, now_ms: int, outside: Outside = NOTHING
    ) -> list[AlarmTransition]:
        """Take the evidence of one moment. Returns the transitions in order: commit them before the next snapshot."""
        state = self._state
        if state.first_ms is None:
            state.first_ms = state.heard_ms = now_ms
        if is_blind(status, forecast, outside):
            state.heard_ms = now_ms
        if status.last_run is not None and status.last_run.start_ms != state.run_ms:
            state.run_ms, state.run_counter_wh = status.last_run.start_ms, counter_wh(status)
        if status.supply is Supply.MAINS and not status.silent and status.charge_percent is not None:
            state.watch_rest(status.charge_percent, now_ms)
        state.watch_unheard([channel_name(age) for age in status.ages if age.age_s is None], now_ms)
        seen = AlarmEvidence(
            self.site, self.limits, status, forecast, outside, now_ms, state.first_ms, state.heard_ms,
            state.run_counter_wh, state.rest_percent, state.unheard_ms, state.active, state.raised_ms,
        )  # fmt: skip
        changes = self._unshelve(now_ms)
        judged: dict[AlarmKind, Judgement] = {}
        off = off_at(self.site, self.limits.off, now_ms)
        for kind, rule in RULES.items():
            if kind in off:
                changes += self._switched_off(kind, seen)
                continue
            standing = state.standings.setdefault(kind, Standing())
            judged[kind] = told_with_loss(kind, rule(seen), changes, state.standings)
            if standing.gate.step(judged[kind], standing.row(seen.row(kind)), now_ms):
                changes += self._raise(kind, judged[kind], seen) if standing.gate.active else [self._clear(kind, seen)]
        changes = self._choose(changes, seen)
        fresh = {item.alarm.kind for item in changes}
        for kind, judgement in judged.items():
            if kind not in fresh and state.standings[kind].open:
                changes += self._go_on(kind, judgement, seen)
        return changes

    def alarms(self) -> list[Alarm]:
        """Every alarm that stands, is shelved, or waits for an acknowledgement."""
        held = [item.alarm for item in self._state.standings.values() if item.alarm is not None]
        return sorted((a for a in held if a.state is not AlarmState.NORMAL), key=lambda alarm: -alarm.priority.rank)

    @property
    def restless(self) -> bool:
        """Whether the delay of some alarm is running."""
        return any(standing.gate.turned_ms is not None for standing in self._state.standings.values())

    @property
    def stepped_ms(self) -> int | None:
        """When the evidence was last looked at [UTC milliseconds]; None: never."""
        standing = self._state.standings.get(AlarmKind.HIGH_WATER)
        return None if standing is None else standing.gate.last_ms

    # -- people
    def acknowledge(self, alarm_id: str, by: str, now_ms: int) -> list[AlarmTransition]:
        """Acknowledge an alarm, and with it the milder alarms of the same outage. Doing it twice changes nothing."""
        standing = self._find(alarm_id)
        alarm = standing.alarm
        if alarm is None:
            raise NotFound(Said("usage.alarm", alarm_id=alarm_id))
        changes = self._acknowledge_one(standing, by, now_ms)
        if changes:
            for kind in milder(alarm.kind):
                if kind in self._state.standings:
                    changes += self._acknowledge_one(self._state.standings[kind], by, now_ms)
        return changes

    def _acknowledge_one(self, standing: Standing, by: str, now_ms: int) -> list[AlarmTransition]:
        alarm = standing.alarm
        if alarm is None or alarm.state not in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED):
            return []
        active = alarm.state is AlarmState.UNACKNOWLEDGED
        standing.owed = False
        seen_by = replace(
            alarm,
            state=AlarmState.ACKNOWLEDGED if active else AlarmState.NORMAL,
            acknowledged_ms=now_ms,
            acknowledged_by=by,
        )
        return [self._change(standing, seen_by, TransitionKind.ACKNOWLEDGED, now_ms, tell=False)]

    def shelve(self, alarm_id: str, until_ms: int, by: str, now_ms: int) -> list[AlarmTransition]:
        """Shelve an alarm for a limited time. It is told again afterwards if it still stands."""
        standing = self._find(alarm_id)
        alarm = standing.alarm
        if alarm is None:
            raise NotFound(Said("usage.alarm", alarm_id=alarm_id))
        if not now_ms < until_ms <= now_ms + LONGEST_SHELF_MS:
            raise UsageError(Said("usage.an_alarm_is_shelved_until_a"), Said("usage.give_a_time_within_7_days"))
        standing.shelved_until_ms = until_ms
        shelved = replace(alarm, state=AlarmState.SHELVED, shelved_until_ms=until_ms, shelved_by=by)
        return [self._change(standing, shelved, TransitionKind.SHELVED, now_ms, tell=False)]

    def unshelve(self, alarm_id: str, now_ms: int) -> list[AlarmTransition]:
        """Bring a shelved alarm back before its time. Doing it twice changes nothing."""
        return self._back(self._find(alarm_id), now_ms)

    # -- saved state
    def snapshot(self) -> bytes:
        """The manager's whole state, with its version."""
        return self._state.encode()

    @classmethod
    def restore(cls, site: Site, snapshot: bytes, limits: AlarmLimits | None = None) -> AlarmManager:
        """The manager that gave a snapshot, as if it had never stopped. SnapshotError."""
        manager = cls(site, limits)
        manager._state = ManagerState.decode(snapshot)
        return manager

    @classmethod
    def taken_up(cls, site: Site, alarms: Sequence[Alarm], newest: Forecast | None) -> AlarmManager:
        """A manager made from the ledger's alarms where the snapshot cannot be read: none of them starts again."""
        manager = cls(site)
        manager._state = state_from(alarms, newest)
        return manager

    # -- single changes
    def _find(self, alarm_id: str) -> Standing:
        for standing in self._state.standings.values():
            if standing.alarm is not None and standing.alarm.id == alarm_id:
                return standing
        raise NotFound(Said("usage.alarm", alarm_id=alarm_id))

    def _change(
        self, standing: Standing, alarm: Alarm, kind: TransitionKind, now_ms: int, *, tell: bool, spend: bool = True
    ) -> AlarmTransition:
        """Record the alarm's next revision. With `tell` it costs a message, unless it replaces one not received."""
        standing.alarm = replace(alarm, changed_ms=now_ms, revision=alarm.revision + 1)
        if tell:
            if spend:
                self._state.budget.spend(now_ms)
            standing.told_ms = now_ms
            standing.owed = False
        return AlarmTransition(standing.alarm, kind, now_ms, tell)

    def _raise(self, kind: AlarmKind, judged: Judgement, seen: AlarmEvidence) -> list[AlarmTransition]:
        standing, now = self._state.standings[kind], seen.now_ms
        earlier = standing.alarm
        changes: list[AlarmTransition] = []
        again = standing.rejoined(now, self._outage_ms) and earlier is not None
        if earlier is not None and not again and earlier.state is AlarmState.RETURNED_UNACKNOWLEDGED:
            closed = replace(earlier, state=AlarmState.NORMAL)  # a new episode takes its place
            changes.append(self._change(standing, closed, TransitionKind.UPDATED, now, tell=False))
        raised_ms = earlier.raised_ms if again and earlier is not None else now
        standing.variant = judged.variant
        standing.rejoins = standing.rejoins + 1 if again else 0
        standing.reminders, standing.owed = 0, False
        if not again:
            standing.told_ms = None
        told = self._teller.tell(kind, judged.variant, seen, raised_ms)
        shelved = standing.shelved_until_ms
        alarm = Alarm(
            id=f"{self.site.id}:{kind}:{raised_ms}",
            site=self.site.id,
            kind=kind,
            priority=judged.priority or seen.row(kind).priority,
            state=AlarmState.UNACKNOWLEDGED if shelved is None else AlarmState.SHELVED,
            episode=raised_ms,
            raised_ms=raised_ms,
            changed_ms=now,
            headline=told.headline,
            action=told.action,
            consequence=told.consequence,
            by_ms=told.by_ms,
            translations=told.translations,
            shelved_until_ms=shelved,
            shelved_by=earlier.shelved_by if shelved is not None and earlier is not None else None,
            revision=earlier.revision if again and earlier is not None else -1,
        )
        changes.append(self._change(standing, alarm, TransitionKind.RAISED, now, tell=False))
        return changes

    @property
    def _outage_ms(self) -> int | None:
        """When the present outage was first told of [UTC milliseconds]; None where there is none."""
        mains = self._state.standings.get(AlarmKind.MAINS_LOST)
        return mains.alarm.raised_ms if mains is not None and mains.gate.active and mains.alarm is not None else None

    def _clear(self, kind: AlarmKind, seen: AlarmEvidence) -> AlarmTransition:
        standing, now = self._state.standings[kind], seen.now_ms
        alarm = standing.alarm
        if alarm is None:
            raise NotFound(Said("usage.alarm_of_kind", kind=kind))
        told = self._teller.cleared(kind, seen, alarm.raised_ms)
        state = AlarmState.NORMAL if alarm.state is AlarmState.ACKNOWLEDGED else AlarmState.RETURNED_UNACKNOWLEDGED
        if alarm.state is AlarmState.SHELVED:
            state = AlarmState.SHELVED
        over = replace(
            alarm,
            state=state,
            cleared_ms=now,
            headline=told.headline,
            action=told.action,
            consequence="",
            by_ms=None,
            translations=told.translations,
        )
        standing.owed = False
        return self._change(standing, over, TransitionKind.CLEARED, now, tell=False)

    def _switched_off(self, kind: AlarmKind, seen: AlarmEvidence) -> list[AlarmTransition]:
        """Close the alarms of kinds that the owner has switched off."""
        standing = self._state.standings.pop(kind, None)
        if standing is None or standing.alarm is None or standing.alarm.state is AlarmState.NORMAL:
            return []
        closed = replace(standing.alarm, state=AlarmState.NORMAL, cleared_ms=seen.now_ms, shelved_until_ms=None)
        return [self._change(standing, closed, TransitionKind.CLEARED, seen.now_ms, tell=False)]

    def _unshelve(self, now_ms: int) -> list[AlarmTransition]:
        shelved = [(item.shelved_until_ms, item) for item in self._state.standings.values()]
        over = [item for until_ms, item in shelved if until_ms is not None and now_ms >= until_ms]
        return [change for item in over for change in self._back(item, now_ms)]

    def _back(self, standing: Standing, now_ms: int) -> list[AlarmTransition]:
        alarm, active = standing.alarm, standing.gate.active
        if standing.shelved_until_ms is None or alarm is None:
            return []
        standing.shelved_until_ms = None
        state = AlarmState.UNACKNOWLEDGED if active else AlarmState.NORMAL
        back = replace(alarm, state=state, shelved_until_ms=None, shelved_by=None)
        tell = active and may_raise(alarm.priority, self._state.budget, self._state.standings, now_ms)
        standing.owed = active and not tell
        return [self._change(standing, back, TransitionKind.UNSHELVED, now_ms, tell=tell)]

    # -- what people are told
    def _choose(self, changes: list[AlarmTransition], seen: AlarmEvidence) -> list[AlarmTransition]:
        """Decide which raises and clears of this step people are told."""
        quiet = {item.key for item in redundant(changes)}
        chosen = []
        for item in changes:
            standing = self._state.standings.get(item.alarm.kind)
            if standing is None or item.kind not in (TransitionKind.RAISED, TransitionKind.CLEARED):
                chosen.append(item)
                continue
            if standing.alarm is None or item.key != AlarmTransition(standing.alarm, item.kind, item.at_ms).key:
                chosen.append(item)
                continue
            chosen.append(self._voiced(item, standing, seen, quiet=item.key in quiet))
        self._cover(chosen, seen.now_ms)
        return sorted(chosen, key=_leads)

    def _cover(self, chosen: list[AlarmTransition], now_ms: int) -> None:
        """Count milder alarms as told where a graver one that was raised with them is told."""
        kinds = {item.alarm.kind for item in chosen if item.kind is TransitionKind.RAISED}
        told = {item.alarm.kind for item in chosen if item.kind is TransitionKind.RAISED and item.tell}
        for kind in kinds & {mild for grave in told for mild in milder(grave)}:
            self._state.standings[kind].told_ms = now_ms

    def _voiced(
        self, item: AlarmTransition, standing: Standing, seen: AlarmEvidence, *, quiet: bool
    ) -> AlarmTransition:
        budget, now = self._state.budget, seen.now_ms
        raised = item.kind is TransitionKind.RAISED
        news = is_news(item, seen, self._state.standings)
        tell = news and not quiet and has_room(item, budget, self._state.standings)
        if tell:
            budget.spend(now)
            give_all_clear(item, self._state.standings)
        if raised and not recurs(standing, item.alarm.kind):
            standing.owed = news and not quiet and not tell
            standing.told_ms = now if tell else standing.told_ms
            standing.told_end_ms = ends(seen)
            standing.hub_end_ms = None if standing.told_end_ms is None else standing.told_end_ms[1]
            standing.hub_ms = now
        return replace(item, tell=tell)

    def _go_on(self, kind: AlarmKind, judged: Judgement, seen: AlarmEvidence) -> list[AlarmTransition]:
        """For an open alarm: tell what is still owed, a higher priority or a moved end, or remind."""
        standing, now, budget = self._state.standings[kind], seen.now_ms, self._state.budget
        alarm = standing.alarm
        if alarm is None or (kind in OUTAGE and not seen.on_pack):
            return []
        graver = judged.priority is not None and judged.priority.rank > alarm.priority.rank
        if standing.owed or graver:
            priority = judged.priority if graver and judged.priority is not None else alarm.priority
            room = may_raise(priority, budget, self._state.standings, now)
            if not graver and not room:
                return []
            standing.owed = not room
            changed = replace(self._retold(standing, alarm, seen), priority=priority, state=AlarmState.UNACKNOWLEDGED)
            return [self._change(standing, changed, TransitionKind.UPDATED, now, tell=room)]
        moved = self._moved(kind, standing, alarm, seen)
        if moved:
            return moved
        settled = seen.outside.settled.get(alarm.id)
        may_remind = standing.may_remind(settled, now) and leads_group(kind, self._state.standings)
        if may_remind and budget.may_repeat(still_to_come(self._state.standings), now):
            heard = settled is None or not settled.unheard  # what nobody took costs no room, and the next wait stays
            standing.reminders += heard
            again = self._teller.reminded(self._retold(standing, alarm, seen))
            return [self._change(standing, again, TransitionKind.REMINDED, now, tell=True, spend=heard)]
        return []

    def _moved(self, kind: AlarmKind, standing: Standing, alarm: Alarm, seen: AlarmEvidence) -> list[AlarmTransition]:
        """The predicted end has moved: hubs hear of a substantial shift, people of one outside the range told to them.

        Hubs and pages also hear when the time to act by has passed; from then on the text says "now".
        """
        end = ends(seen)
        if alarm.by_ms is not None and standing.hub_ms < alarm.by_ms <= seen.now_ms:
            return [self._silently(standing, alarm, seen)]
        if kind not in PROJECTING or end is None or not leads_group(kind, self._state.standings):
            return []
        told, now = standing.told_end_ms, seen.now_ms
        outside = told is None or not told[0] <= end[1] <= told[2]
        rested = standing.told_ms is not None and now - standing.told_ms >= UPDATE_EVERY_MS
        owed = still_to_come(self._state.standings)
        if outside and rested and seen.on_pack and self._state.budget.may_repeat(owed, now):
            changed = self._retold(standing, alarm, seen)
            return [self._change(standing, changed, TransitionKind.UPDATED, now, tell=True)]
        shift = None if standing.hub_end_ms is None else abs(end[1] - standing.hub_end_ms)
        large = shift is None or shift > HUB_SHARE * max(end[1] - now, HOUR_MS)
        if large and now - standing.hub_ms >= HUB_EVERY_MS:
            return [self._silently(standing, alarm, seen)]
        return []

    def _silently(self, standing: Standing, alarm: Alarm, seen: AlarmEvidence) -> AlarmTransition:
        """New words for hubs and pages only. For people the end that they were last told remains the reference."""
        told_end = standing.told_end_ms
        changed = self._retold(standing, alarm, seen)
        standing.told_end_ms = told_end
        return self._change(standing, changed, TransitionKind.UPDATED, seen.now_ms, tell=False)

    def _retold(self, standing: Standing, alarm: Alarm, seen: AlarmEvidence) -> Alarm:
        """The same alarm in words of the present evidence."""
        told = self._teller.tell(alarm.kind, standing.variant, seen, alarm.raised_ms)
        standing.told_end_ms = ends(seen)
        standing.hub_end_ms = None if standing.told_end_ms is None else standing.told_end_ms[1]
        standing.hub_ms = seen.now_ms
        return replace(
            alarm, headline=told.headline, action=told.action, by_ms=told.by_ms, translations=told.translations
        )


def _leads(transition: AlarmTransition) -> int:
    """The sort key of one step's messages: raises first, the gravest first."""
    return -transition.alarm.priority.rank if transition.kind is TransitionKind.RAISED else 1
