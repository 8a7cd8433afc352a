"""Who is told of a transition, over which channel, and when: minimum priority, quiet hours, the next contact.

Pure. The outbox that keeps the result and the couriers that carry it are faces.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import msgspec

from forecaster.alarms.absence import contacts_at
from forecaster.alarms.afar import afar_of
from forecaster.alarms.grouping import OUTAGE
from forecaster.decoding.typed import from_json
from forecaster.domain.alarms import Alarm, AlarmState, AlarmTransition, Priority, TransitionKind
from forecaster.domain.letters import Letter
from forecaster.domain.records import Delivery, PushSubscription
from forecaster.domain.site import Contact, Site, Units
from forecaster.domain.times import HOUR_MS, MINUTE_MS
from forecaster.texts.catalogue import SOURCE, words

MQTT, HOMIE, WEBHOOK, MAIL, PUSH = "mqtt", "homie", "webhook", "mail", "push"
CHANNELS = frozenset({MQTT, HOMIE, WEBHOOK, MAIL, PUSH})
HUBS = (MQTT, HOMIE)

PEOPLE_HOURS = 12
BRINGING = frozenset(OUTAGE[1:])
BRING_MS = 2 * HOUR_MS
"""How long power takes to be brought to a house, from the word (this project's own choice)."""
HUB_HOURS = 7 * 24
NOBODY_TOLD: Mapping[str, int] = {}
TOLD = frozenset(
    {
        TransitionKind.RAISED,
        TransitionKind.UPDATED,
        TransitionKind.REMINDED,
        TransitionKind.CLEARED,
        TransitionKind.UNSHELVED,
    }
)


@dataclass(frozen=True, slots=True)
class AlarmMessage:
    """The body of a delivery: all that a courier needs to write to its receiver.

    key : str — the transition's key
    contact : str — the person's name, "" for hubs
    afar : str — what to do from far away; it may name people, so it is for people alone
    every : bool — for a program that takes every transition: a newer one does not make this one needless
    only_unacknowledged : bool — dropped if the alarm is acknowledged or over before the message is due
    test : bool — a test message, about no alarm
    language : str — ISO 639-1 code that the alarm's words and the message around them are written in
    letter : Letter | None — what it says in place of the alarm, which then only carries its id
    """

    key: str
    site: str
    site_name: str
    timezone: str
    units: Units
    transition: TransitionKind
    at_ms: int
    alarm: Alarm
    contact: str = ""
    only_unacknowledged: bool = False
    test: bool = False
    language: str = SOURCE
    afar: str = ""
    letter: Letter | None = None
    every: bool = False

    @property
    def thread(self) -> str:
        """Its subject: an outage, or one alarm. A newer message of a thread makes an older one needless."""
        return f"{self.site}:outage" if self.alarm.kind in OUTAGE else self.alarm.id

    def encode(self) -> str:
        """As JSON."""
        return msgspec.json.encode(self).decode()

    @classmethod
    def decode(cls, body: str) -> AlarmMessage:
        """From JSON."""
        return from_json(body, AlarmMessage)


def addresses_of(contact: Contact) -> list[tuple[str, str]]:
    """A contact's addresses as (channel, address); a browser's subscriptions are in the ledger."""
    found = ((MAIL, contact.email), (WEBHOOK, contact.webhook))
    return [(channel, address) for channel, address in found if address]


def alarm_topic(site: str, kind: str) -> str:
    """The MQTT topic of a site's alarm of one kind."""
    return f"outlast/{site}/alarm/{kind}"


def delivery_key(transition_key: str, channel: str, receiver: str) -> str:
    """Unique for transition and receiver; the receiver's address is not readable in it."""
    return f"{transition_key}:{channel}:{hashlib.sha256(receiver.encode()).hexdigest()[:12]}"


def quiet_until_ms(quiet_hours: tuple[str, str] | None, timezone: str, at_ms: int) -> int | None:
    """The end of the quiet hours that a moment falls into [UTC milliseconds]; None outside of them.

    quiet_hours : local "HH:MM" to "HH:MM", over midnight where the end is not later than the start
    """
    if quiet_hours is None:
        return None
    zone = ZoneInfo(timezone)
    start, end = (time.fromisoformat(text) for text in quiet_hours)
    local = datetime.fromtimestamp(at_ms / 1000.0, UTC).astimezone(zone)
    for day in (local.date() - timedelta(days=1), local.date()):
        begins = datetime.combine(day, start, zone)
        ends = datetime.combine(day if start < end else day + timedelta(days=1), end, zone)
        if begins.astimezone(UTC) <= local.astimezone(UTC) < ends.astimezone(UTC):
            return int(ends.astimezone(UTC).timestamp() * 1000)
    return None


def due_ms_of(site: Site, alarm: Alarm, contact: Contact, at_ms: int) -> int:
    """When a message is due to a contact: at once, or at the end of their quiet hours [UTC milliseconds]."""
    if alarm.priority is Priority.CRITICAL:
        return at_ms
    quiet_ms = quiet_until_ms(contact.quiet_hours, site.timezone, at_ms)
    return quiet_ms if quiet_ms is not None and can_wait(alarm, quiet_ms) else at_ms


def still_acts(site: Site, contact: Contact, told_ms: int | None, now_ms: int) -> bool:
    """Whether a contact may be acting on what they were told, so that its end cannot wait until the morning.

    told_ms : when they were last told of it [UTC milliseconds]; None: never
    """
    if told_ms is None:
        return False
    ends = [quiet_until_ms(contact.quiet_hours, site.timezone, at_ms) for at_ms in (told_ms, now_ms)]
    return now_ms - told_ms <= BRING_MS or ends[0] == ends[1]


def can_wait(alarm: Alarm, until_ms: int) -> bool:
    """Whether an alarm can be told as late as that, because its time to act is later still.

    Bringing power takes a while, so a reserve is told that much before its end.
    """
    if alarm.by_ms is None:
        return True
    ahead_ms = BRING_MS if alarm.kind in BRINGING else 0
    return alarm.by_ms - ahead_ms >= until_ms


@dataclass(frozen=True, slots=True)
class Planner:
    """Plans the deliveries of one site's transitions.

    channels : frozenset[str] — the channels that this installation serves
    """

    site: Site
    subscriptions: Sequence[PushSubscription] = ()
    channels: frozenset[str] = field(default=CHANNELS)

    def plan(
        self, transition: AlarmTransition, now_ms: int, told_ms: Mapping[str, int] = NOBODY_TOLD
    ) -> list[Delivery]:
        """The deliveries of one transition to hubs and people.

        told_ms : by person, when they were last told of the same thread [UTC milliseconds]; asked for an end only
        """
        contacts = contacts_at(self.site, now_ms)
        if contacts != self.site.contacts:
            there = replace(self, site=replace(self.site, contacts=contacts, away=None))
            return there.plan(transition, now_ms, told_ms)
        owed = [self._to_hub(transition, channel, now_ms) for channel in HUBS if channel in self.channels]
        for contact in self.site.contacts:
            owed += self._to_program(transition, contact, now_ms)
        if transition.tell and transition.kind in TOLD:
            for contact in self.site.contacts:
                owed += self._to_person(transition, contact, self._addresses(contact), now_ms, told_ms)
            if PUSH in self.channels:
                for subscription in self._listening():
                    person = self._owner_of(subscription)
                    owed += self._to_person(transition, person, [(PUSH, subscription.id)], now_ms, told_ms)
        return owed

    def _addresses(self, contact: Contact) -> list[tuple[str, str]]:
        for_a_program = {WEBHOOK} if _takes_all(contact) else set()
        wanted = self.channels - for_a_program
        return [(channel, address) for channel, address in addresses_of(contact) if channel in wanted]

    def _to_program(self, transition: AlarmTransition, contact: Contact, now_ms: int) -> list[Delivery]:
        """Every transition at once, told to people or not, where a contact's webhook asks for it.

        It counts as the contact's where people are told; otherwise it is of nobody, as a hub's.
        """
        address = contact.webhook if _takes_all(contact) and WEBHOOK in self.channels else None
        if not address or transition.alarm.priority.rank < contact.minimum_priority.rank:
            return []
        told = transition.tell and transition.kind in TOLD
        who = contact.name if told else ""
        message = self._message(transition, who, self._language(contact), only_unacknowledged=False)
        if told:
            message = self._to_afar(message, WEBHOOK)
        return [_delivery(replace(message, every=True), WEBHOOK, address, now_ms, now_ms, PEOPLE_HOURS)]

    def _listening(self) -> Iterable[PushSubscription]:
        return (item for item in self.subscriptions if item.site in (None, self.site.id))

    def _owner_of(self, subscription: PushSubscription) -> Contact:
        """A subscription labelled with a contact's name keeps those rules; any other hears of medium and up."""
        label = subscription.label.strip().casefold()
        named = next((contact for contact in self.site.contacts if contact.name.strip().casefold() == label), None)
        return named if named is not None else Contact(subscription.label, minimum_priority=Priority.MEDIUM)

    def _to_hub(self, transition: AlarmTransition, channel: str, now_ms: int) -> Delivery:
        receiver = alarm_topic(self.site.id, transition.alarm.kind)
        message = self._message(transition, "", self._language(None), only_unacknowledged=False)
        return _delivery(message, channel, receiver, now_ms, now_ms, HUB_HOURS)

    def _to_person(
        self,
        transition: AlarmTransition,
        contact: Contact,
        addresses: list[tuple[str, str]],
        now_ms: int,
        told_ms: Mapping[str, int],
    ) -> list[Delivery]:
        alarm = transition.alarm
        if alarm.priority.rank < contact.minimum_priority.rank:
            return []
        next_in_line = contact.after_min > 0.0
        due_ms = now_ms
        if next_in_line:
            due_ms = max(now_ms, alarm.raised_ms + int(contact.after_min * MINUTE_MS))
        over = transition.kind is TransitionKind.CLEARED
        if not (over and still_acts(self.site, contact, told_ms.get(contact.name), now_ms)):
            due_ms = due_ms_of(self.site, alarm, contact, due_ms)
        language = self._language(contact)
        message = self._message(transition, contact.name, language, only_unacknowledged=next_in_line)
        return [
            _delivery(self._to_afar(message, channel), channel, address, now_ms, due_ms, PEOPLE_HOURS)
            for channel, address in addresses
        ]

    def _to_afar(self, message: AlarmMessage, channel: str) -> AlarmMessage:
        """A browser may be anybody's who may read, and a webhook a service's: they are told no names and numbers."""
        t = words(message.language)
        said = afar_of(message.alarm, self.site.contacts, t, message.contact)
        if said and channel in (PUSH, WEBHOOK) and said != t("alarm.afar.nobody"):
            said = t("alarm.afar.page")
        return replace(message, afar=said)

    def _language(self, contact: Contact | None) -> str:
        """A contact's language, else the site's."""
        return (contact.language if contact is not None else None) or self.site.language or SOURCE

    def _message(
        self, transition: AlarmTransition, contact: str, language: str, *, only_unacknowledged: bool
    ) -> AlarmMessage:
        return AlarmMessage(
            key=transition.key,
            site=self.site.id,
            site_name=self.site.name,
            timezone=self.site.timezone,
            units=self.site.units,
            transition=transition.kind,
            at_ms=transition.at_ms,
            alarm=transition.alarm.said_in(language),
            contact=contact,
            only_unacknowledged=only_unacknowledged,
            language=language,
        )


def _takes_all(contact: Contact) -> bool:
    return contact.webhook_transitions == "all"


def deliveries(
    transition: AlarmTransition,
    site: Site,
    now_ms: int,
    subscriptions: Sequence[PushSubscription] = (),
    channels: frozenset[str] = CHANNELS,
) -> list[Delivery]:
    """The deliveries of one transition: always to hubs, to people by their priorities, quiet hours and turn."""
    return Planner(site, subscriptions, channels).plan(transition, now_ms)


def _delivery(message: AlarmMessage, channel: str, receiver: str, now_ms: int, due_ms: int, hours: int) -> Delivery:
    return Delivery(
        key=delivery_key(message.key, channel, receiver),
        channel=channel,
        receiver=receiver,
        site=message.site,
        body=message.encode(),
        created_ms=max(now_ms, due_ms),  # the moment from which it is owed: one that waits is not late
        due_ms=due_ms,
        expires_ms=due_ms + hours * HOUR_MS,
        who=message.contact,
        alarm_id=message.alarm.id,
        revision=message.alarm.revision,
        rank=message.alarm.priority.rank,
    )


@dataclass(frozen=True, slots=True)
class Batch:
    """What to do with the due deliveries of one channel: send these, settle those as made needless by a newer one."""

    send: tuple[Delivery, ...]
    needless: tuple[Delivery, ...]


def coalesce(due: Sequence[Delivery]) -> Batch:
    """Of several messages of one thread to one receiver only the newest is sent, but to a program that takes them all.

    Where the newest is an end whose beginning was never sent, a contact who is only next in line gets neither.
    """
    newest: dict[tuple[str, str, bool, str], tuple[AlarmMessage, Delivery]] = {}
    needless: list[Delivery] = []
    never_told: set[tuple[str, str, bool, str]] = set()
    for delivery in due:
        message = AlarmMessage.decode(delivery.body)
        place = (delivery.receiver, message.thread, message.test, message.key if message.every else "")
        held = newest.get(place)
        if held is None:
            newest[place] = (message, delivery)
            continue
        earlier, later = sorted((held, (message, delivery)), key=lambda item: (item[0].at_ms, item[0].alarm.revision))
        needless.append(earlier[1])
        never_told.add(place)
        newest[place] = later
    send: list[Delivery] = []
    for place, (message, delivery) in newest.items():
        over = message.only_unacknowledged and message.transition is TransitionKind.CLEARED and place in never_told
        (needless if over else send).append(delivery)
    return Batch(tuple(send), tuple(needless))


def still_wanted(message: AlarmMessage, current: Alarm) -> bool:
    """Whether a message to someone next in line is still wanted, given how the alarm stands now."""
    if not message.only_unacknowledged or message.transition is TransitionKind.CLEARED:
        return True
    return current.state is AlarmState.UNACKNOWLEDGED
