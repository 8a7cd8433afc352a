"""Each site as a Homie v5 device, `homie/5/outlast-<site>`, so that a hub finds it by itself.

After the Homie convention 5.0 (homieiot.github.io/specification): description before ready, `$state` lost as the will,
quality of service 2, everything retained but commands and events. A value not known leaves its topic empty, never
stale.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from hashlib import sha256
from typing import Any

import msgspec

from api.deliver.asking import acknowledge_kind
from api.deliver.brokerlink import BrokerLink, Will
from api.deliver.homie_measured import measured_properties, measured_values, property_ids
from api.deliver.mqtt import newest_by_kind
from api.deliver.outcome import Later, Outcome, Sent
from api.deliver.plain import said
from api.process.notes import note_names, noted_names
from collector.config.settings import Broker
from forecaster.alarms.plan import HOMIE, AlarmMessage
from forecaster.decoding.typed import from_json
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, Priority
from forecaster.domain.errors import StaleLease, StoreError
from forecaster.domain.forecast import Basis
from forecaster.domain.ports import Clock, Ledger, ReadingStore
from forecaster.domain.records import Delivery
from forecaster.domain.runs import Supply
from forecaster.domain.site import Site
from forecaster.texts.catalogue import SOURCE, Words, words

ROOT = "homie/5"
QOS = 2
EVENT_QOS = 0
"""A value that is not retained must neither wait for a connection nor be repeated after one."""

EMPTY_TEXT = b"\0"
"""A text of no characters; no payload at all would take the property's value away ("Empty string values")."""

log = logging.getLogger("outlast.deliver")

NOTE = "homie-sites"
HANDED = "homie-handed"
"""Sites whose devices the next carrier takes over."""
STATES = ",".join(AlarmState)
MEASURED = "homie-measured"
"""What a device told of what is measured: cleared when its site is removed."""

FIRST_VERSION = 2
"""Releases that did not count their descriptions published version 1."""

Property = tuple[str, dict[str, Any], Callable[[Mapping[str, Any]], Any]]


def _hours(name: str, level: str) -> Callable[[Mapping[str, Any]], Any]:
    return lambda document: (document.get(name) or {}).get(level)


def _field(name: str) -> Callable[[Mapping[str, Any]], Any]:
    return lambda document: document.get(name)


def _float(unit: str, allowed: str = "0:") -> dict[str, Any]:
    return {"datatype": "float", "unit": unit, "format": allowed}


def _usable_kwh(document: Mapping[str, Any]) -> float | None:
    """In the unit that the convention recommends, beside the watt hours that hubs know by now."""
    usable_wh = document.get("usable_wh")
    return None if usable_wh is None else round(usable_wh / 1000.0, 4)


FORECAST: tuple[Property, ...] = (
    ("supply", {"datatype": "enum", "format": ",".join(Supply)}, _field("supply")),
    ("basis", {"datatype": "enum", "format": ",".join(Basis)}, _field("basis")),
    ("hours-p10", _float("h"), _hours("hours_remaining", "p10")),
    ("hours-p50", _float("h"), _hours("hours_remaining", "p50")),
    ("hours-p90", _float("h"), _hours("hours_remaining", "p90")),
    ("empty-p50", _float("h"), _hours("hours_to_empty", "p50")),
    ("reserve-at", {"datatype": "datetime"}, _hours("reserve_at", "p50")),
    ("charge", _float("%", "0:100"), _field("charge_percent")),
    ("usable", _float("Wh", ":"), _field("usable_wh")),
    ("usable-kwh", _float("kWh", ":"), _usable_kwh),
    ("draw", _float("W", ":"), _field("draw_w")),
    ("cycles", _float("#"), _field("cycles_per_hour")),
    ("data-age", _float("s"), _field("data_age_s")),
    ("issued-at", {"datatype": "datetime"}, _field("issued_at")),
)


class DescribedDevice(msgspec.Struct, frozen=True):
    """The version of a device's description, and the digest of its content."""

    version: int
    digest: str


def description_version(ledger: Ledger, site: Site) -> int:
    """The version of a site's description: it rises by one whenever the description changes."""
    name = f"homie-description:{site.id}"
    digest = sha256(msgspec.json.encode(description(site, 0))).hexdigest()
    noted = ledger.noted(name)
    earlier = None if noted is None else from_json(noted, DescribedDevice)
    if earlier is not None and earlier.digest == digest:
        return earlier.version
    version = FIRST_VERSION if earlier is None else earlier.version + 1
    ledger.note(name, msgspec.json.encode(DescribedDevice(version, digest)).decode())
    return version


def description(site: Site, version: int) -> dict[str, Any]:
    """The `$description` of a site's device, its names in the site's language."""
    say = words(site.language or SOURCE)
    kinds = {kind.value: {"name": _kind_name(kind, say), "datatype": "enum", "format": STATES} for kind in AlarmKind}
    highest = {"name": say("homie.highest"), "datatype": "enum", "format": ",".join(("none", *Priority))}
    acknowledge = {
        "name": say("homie.acknowledge"),
        "datatype": "enum",
        "format": ",".join(("all", *AlarmKind)),
        "settable": True,
        "retained": False,
    }
    return {
        "homie": "5.0",
        "version": version,
        "name": site.name,
        "nodes": {
            "forecast": {
                "name": say("homie.forecast"),
                "properties": {name: {"name": say(f"homie.{name}"), **about} for name, about, _ in FORECAST},
            },
            "alarms": {
                "name": say("homie.alarms"),
                "properties": {
                    **kinds,
                    "highest": highest,
                    "headline": {"name": say("homie.headline"), "datatype": "string"},
                    "acknowledge": acknowledge,
                },
            },
            "measured": {"name": say("homie.measured"), "properties": measured_properties(site, say)},
        },
    }


def _kind_name(kind: AlarmKind, say: Words) -> str:
    """An alarm's name: in English its kind, as it always was, so that nothing that was set up by it changes."""
    return kind.value.replace("-", " ").capitalize() if say.code == SOURCE else say(f"alarms.kind.{kind.value}")


def alarm_values(newest: Mapping[AlarmKind, Alarm]) -> dict[str, bytes]:
    """The alarm node's values by property."""
    values = {kind.value: (newest[kind].state if kind in newest else AlarmState.NORMAL).encode() for kind in AlarmKind}
    standing = [alarm for alarm in newest.values() if alarm.cleared_ms is None and alarm.state is not AlarmState.NORMAL]
    top = max(standing, key=lambda alarm: (alarm.priority.rank, alarm.changed_ms), default=None)
    values["highest"] = b"none" if top is None else top.priority.encode()
    values["headline"] = EMPTY_TEXT if top is None else top.headline.encode()
    return values


def alerts(newest: Mapping[AlarmKind, Alarm]) -> dict[str, bytes]:
    """What needs a person, by alert; empty where nothing does (Homie convention 5.0, "Alerts")."""
    standing = {kind: alarm for kind, alarm in newest.items() if alarm.state is AlarmState.UNACKNOWLEDGED}
    return {
        kind.value: f"{standing[kind].headline} {standing[kind].action}".encode() if kind in standing else b""
        for kind in AlarmKind
    }


def measured_before(ledger: Ledger, site: str) -> set[str]:
    """The measured properties that a site's device told of; those that no topic can have were never published."""
    return {name for name in noted_names(ledger, f"{MEASURED}:{site}") if not {"+", "#"} & set(name)}


class Device:
    """One site's device on its own connection, because each device needs its own will.

    store : ReadingStore | None — where measured values are read; None: they are left empty
    """

    def __init__(
        self, broker: Broker, client_id: str, site: Site, ledger: Ledger, store: ReadingStore | None, clock: Clock
    ) -> None:
        self.site, self._ledger, self._store, self._clock = site, ledger, store, clock
        self.base = f"{ROOT}/outlast-{site.id}"
        self._state = f"{self.base}/$state"
        self._commands = f"{self.base}/alarms/acknowledge/set"
        self.link = BrokerLink(broker, client_id, Will(self._state, b"lost", QOS), (self._commands,))
        self._told: dict[str, bytes] = {}
        self._issued: int | None = None
        self.taken_over = False

    def refresh(self) -> None:
        """Publish the description after a new connection; then publish the values that have changed."""
        if self.link.fresh() and not self._introduce():
            self.link.again()
            return
        if self.link.connected:
            self._tell_forecast()

    def tell_alarms(self) -> Outcome:
        """Bring the alarm node and the device's alerts up to date."""
        newest = newest_by_kind(self._ledger, self.site.id)
        outcome = self._tell("alarms", alarm_values(newest))
        return self._tell("$alert", alerts(newest)) if isinstance(outcome, Sent) else outcome

    def close(self, *, handed_over: bool = False) -> None:
        """Leave in good order; in silence where another takes the device over at once."""
        self.link.close(None if handed_over else Will(self._state, b"disconnected", QOS))

    def _introduce(self) -> bool:
        self._told.clear()
        self._issued = None
        about = msgspec.json.encode(description(self.site, description_version(self._ledger, self.site)))
        begin = b"ready" if self.taken_over else b"init"
        self.taken_over = False
        steps: tuple[Callable[[], Outcome], ...] = (
            lambda: self.link.publish(self._state, begin, qos=QOS),
            lambda: self.link.publish(f"{self.base}/$description", about, qos=QOS),
            self._clear_measured,
            self._tell_forecast,
            self.tell_alarms,
            lambda: self.link.publish(self._state, b"ready", qos=QOS),
        )
        return all(isinstance(step(), Sent) for step in steps)

    def _clear_measured(self) -> Outcome:
        """Clear the values of channels that are gone, and note those that are told from now on."""
        note, told = f"{MEASURED}:{self.site.id}", set(property_ids(self.site).values())
        for name in sorted(measured_before(self._ledger, self.site.id) - told):
            outcome = self.link.publish(f"{self.base}/measured/{name}", b"", qos=QOS)
            if not isinstance(outcome, Sent):
                return outcome
        note_names(self._ledger, note, told)
        return Sent()

    def _tell_forecast(self) -> Outcome:
        stored = self._ledger.newest([self.site.id]).get(self.site.id)
        if stored is not None and stored.issued_ms == self._issued:
            return Sent()
        document: dict[str, Any] = {} if stored is None else msgspec.json.decode(stored.document)
        outcome = self._tell("forecast", {name: said(value(document)) for name, _, value in FORECAST})
        if isinstance(outcome, Sent) and self._store is not None:
            latest = self._store.latest(self.site.id)
            outcome = self._tell("measured", measured_values(self.site, latest, self._clock.now_ms()))
        if isinstance(outcome, Sent) and stored is not None:
            self._issued = stored.issued_ms
        return outcome

    def _tell(self, node: str, values: Mapping[str, bytes]) -> Outcome:
        for name, payload in values.items():
            topic = f"{self.base}/{node}/{name}"
            if self._told.get(topic) == payload:
                continue
            outcome = self.link.publish(topic, payload, qos=QOS)
            if not isinstance(outcome, Sent):
                return outcome
            self._told[topic] = payload
        return Sent()

    def acknowledged(self, kind: str) -> None:
        """Publish that a command was accepted. The property is an event, not a state."""
        self.link.publish(f"{self.base}/alarms/acknowledge", kind.encode(), qos=EVENT_QOS, retain=False)


class HomieCarrier:
    """Keeps every site's device."""

    channel = HOMIE
    lanes = 1

    def host(self, receiver: str) -> str:
        """ "": not watched, since the connection to the broker mends itself."""
        del receiver
        return ""

    def __init__(
        self,
        broker: Broker,
        client_id: str,
        sites: Mapping[str, Site],
        ledger: Ledger,
        clock: Clock,
        wake: Callable[[], None],
        store: ReadingStore | None = None,
    ) -> None:
        self._ledger, self._clock, self._wake = ledger, clock, wake
        self._devices = {
            site.id: Device(broker, f"{client_id}-{site.id}", site, ledger, store, clock) for site in sites.values()
        }
        self._staying = frozenset[str]()
        self._cleared = False
        self._begun = False

    def send(self, delivery: Delivery, message: AlarmMessage) -> Outcome:
        """Publish the present state of the site's alarms; older deliveries need not be replayed."""
        device = self._devices.get(delivery.site)
        if device is None:
            return Sent()  # the site was removed, and its device with it
        return Sent() if message.test else device.tell_alarms()

    def tick(self) -> None:
        """Keep descriptions and values up to date, take commands, remove devices that are no longer configured."""
        if not self._begun:
            self._begun = True
            self._take_over()
            for device in self._devices.values():
                device.link.start()
            for device in list(self._devices.values())[:1]:
                device.link.await_first()
        for device in self._devices.values():
            device.refresh()
            for heard in device.link.heard():
                kind = heard.payload.decode(errors="replace")
                if heard.retained or kind not in ("all", *AlarmKind):
                    continue
                acknowledge_kind(self._ledger, self._clock, device.site.id, kind, "Homie", self._wake)
                device.acknowledged(kind)
        if not self._cleared:
            self._cleared = self._clear_removed()

    def close(self) -> None:
        """Every device leaves in good order, but those that another carrier takes over."""
        handed = self._staying & {d.site.id for d in self._devices.values() if d.link.connected}
        try:
            note_names(self._ledger, HANDED, handed)
        except StaleLease:  # another process has them by now: hubs are to see no device leave
            handed = frozenset(self._devices)
        except StoreError as error:
            log.warning("devices leave, since it cannot be noted that others take them over: %s", error)
            handed = frozenset()
        for device in self._devices.values():
            device.close(handed_over=device.site.id in handed)

    def hand_over(self, staying: frozenset[str]) -> None:
        """Before an end after which these sites go on at once: their hubs see no device leave."""
        self._staying = staying

    def _take_over(self) -> None:
        """Devices that were handed over, and whose description is the same, are ready from their first word."""
        for site in noted_names(self._ledger, HANDED):
            if site in self._devices:
                self._devices[site].taken_over = True
        note_names(self._ledger, HANDED, ())

    def _clear_removed(self) -> bool:
        """Remove the devices of sites that are no longer configured: `$state` first, as the convention requires."""
        link = next((device.link for device in self._devices.values() if device.link.connected), None)
        gone = sorted(set(noted_names(self._ledger, NOTE)) - set(self._devices))
        if gone and link is None:
            return False
        for site in gone:
            base = f"{ROOT}/outlast-{site}"
            names = [f"forecast/{name}" for name, _, _ in FORECAST]
            names += [f"alarms/{name}" for name in (*AlarmKind, "highest", "headline")]
            names += [f"$alert/{name}" for name in AlarmKind]
            names += [f"measured/{name}" for name in measured_before(self._ledger, site)]
            topics = [f"{base}/$state", f"{base}/$description", *(f"{base}/{name}" for name in names)]
            if link is None or any(isinstance(link.publish(topic, b"", qos=QOS), Later) for topic in topics):
                return False
        note_names(self._ledger, NOTE, self._devices)
        return True
