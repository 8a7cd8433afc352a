"""Wires everything together: what a process needs, opened from an installation folder."""

from __future__ import annotations

import logging
import secrets
from dataclasses import dataclass, field, replace
from threading import Lock
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import msgspec

from api.http.keyring import Keyring
from api.http.ranking import Ranking
from api.http.security import LOOPBACK_HOSTS, is_loopback
from api.http.stream import Hub
from api.process.parts import Worker
from api.process.watchdog import LoopWatch
from api.process.yeartrials import YearTrials
from collector.config.set_aside import SetAside
from collector.config.settings import Http, Installation
from collector.store.open import open_ledger, open_readings
from forecaster.decoding.typed import from_json
from forecaster.domain.counts import Count
from forecaster.domain.errors import ConfigError, NotFound, OutlastError
from forecaster.domain.ports import Clock, Ledger, ReadingStore
from forecaster.domain.records import LEDGER_LOSS, LOSS_TOLD_MS, LedgerLoss
from forecaster.domain.site import Site
from forecaster.texts.catalogue import Said, words

if TYPE_CHECKING:
    from collector.mqtt.broker_watch import BrokerWatch

log = logging.getLogger("outlast")


@dataclass(slots=True)
class Services:
    """The services that routes and workers use. Close it when done.

    refused : str | None — why changed site files were not applied; None where they were
    loops : LoopWatch — watches whether the workers' loops turn
    trials : YearTrials — changed limits that are tried on the last year
    loss : LedgerLoss | None — what became of a ledger that was lost, while it is to be told
    """

    installation: Installation
    store: ReadingStore
    ledger: Ledger
    clock: Clock
    workers: list[Worker] = field(default_factory=list)
    refused: str | None = None
    loops: LoopWatch = field(default_factory=LoopWatch)
    loss: LedgerLoss | None = field(init=False)
    keyring: Keyring = field(init=False)
    hub: Hub = field(init=False)
    ranking: Ranking = field(init=False)
    trials: YearTrials = field(init=False)
    _watch: BrokerWatch | None = field(default=None, init=False)
    _watching: Lock = field(default_factory=Lock, init=False)

    def __post_init__(self) -> None:
        self.keyring = Keyring(self.ledger, self.clock)
        self.hub = Hub(secrets.token_hex(4), self.ledger.newest_change(), now_ms=self.clock.now_ms)
        self.ranking = Ranking(self.ledger)
        self.trials = YearTrials(self.installation.folder)
        self.loss = loss_told(self.ledger, self.clock.now_ms())

    @property
    def login_needed(self) -> bool:
        """Whether requests need a token or a session: always, unless the server can only be reached on loopback.

        Where it has a public name, there may be a proxy, whose requests come from loopback too.
        """
        return not is_loopback(self.installation.http.host) or bool(outside_names(self.installation.http))

    @property
    def hosts(self) -> frozenset[str] | None:
        """Host names that requests may use; None: any (beyond loopback, with no `hosts` set)."""
        http = self.installation.http
        if not is_loopback(http.host) and not http.hosts:
            return None
        return LOOPBACK_HOSTS | outside_names(http)

    def site(self, site_id: str) -> Site:
        """A site by its id; NotFound."""
        site = self.installation.sites.get(site_id)
        if site is None:
            raise NotFound(Said("config.site", site_id=site_id))
        return site

    def wake(self) -> None:
        """Wake the workers of this process after a person's request; other processes see it within a second."""
        for worker in self.workers:
            worker.wake()

    def troubles(self, *, values: bool = True) -> list[tuple[str, str]]:
        """What is wrong with the configuration and with the workers of this process, as (who, what).

        values : bool — whether values of site files may be named: they may be people's names and addresses
        """
        told = [("configuration", self._aside(item, values=values)) for item in self.installation.set_aside]
        if self.refused is not None:
            key = "config.the_change_is_not_taken_what" if values else "config.the_change_is_not_taken"
            told.append(("configuration", words()(key, refused=self.refused)))
        if self.loss is not None:
            told.append(("ledger", self.loss.why))
        return told + [trouble for worker in self.workers for trouble in worker.troubles()]

    def _aside(self, item: SetAside, *, values: bool) -> str:
        goes_on = item.whole and item.site in self.installation.sites
        said = str(item) if values else words()("config.aside_why", place=item.place)
        return words()("config.aside_goes_on" if goes_on else "config.aside", item=said)

    def counts(self) -> list[Count]:
        """What the workers of this process have done."""
        return [count for worker in self.workers for count in worker.counts()]

    @property
    def broker_watch(self) -> BrokerWatch:
        """What listens to the broker for set-up."""
        from collector.mqtt.broker_watch import BrokerWatch  # the MQTT client is not for every process

        with self._watching:
            self._watch = self._watch or BrokerWatch()
            return self._watch

    def close(self) -> None:
        """Close the stores, and what listens and works for them."""
        self.trials.close()
        if self._watch is not None:
            self._watch.close()
        self.store.close()
        self.ledger.close()


def open_services(installation: Installation, clock: Clock, *, owner: bool, role: str) -> Services:
    """The stores of an installation, opened.

    owner : bool — whether this process collects; it then also repairs an embedded database file
    role : str — names the process and its share; two that run at once must differ
    Errors: ConfigError, StoreUnavailable.
    """
    gone = owner and ledger_gone(installation)
    ledger = open_ledger(installation.ledger_url, owner=owner)
    try:
        if gone:
            why = words()("store.ledger_was_gone")
            log.error("%s; tokens, open alarms and browsers are lost, unless a backup has them", why)
            ledger.note(LEDGER_LOSS, msgspec.json.encode(LedgerLoss(0, why)).decode())
        store = open_readings(installation, ledger, clock, role=role, owner=owner)
    except OutlastError:
        ledger.close()
        raise
    return Services(installation, store, ledger, clock)


def ledger_gone(installation: Installation) -> bool:
    """Whether the file of the ledger is not there although that of the readings is."""
    paths = installation.databases
    return len(paths) > 1 and not paths[-1].exists() and any(path.exists() for path in paths[:-1])


def loss_told(ledger: Ledger, now_ms: int) -> LedgerLoss | None:
    """A loss of the ledger that is to be told still; one that has no time yet gets it here."""
    noted = ledger.noted(LEDGER_LOSS)
    if noted is None:
        return None
    loss = from_json(noted, LedgerLoss)
    if loss.at_ms == 0:
        loss = replace(loss, at_ms=now_ms)
        ledger.note(LEDGER_LOSS, msgspec.json.encode(loss).decode())
    return loss if now_ms - loss.at_ms < LOSS_TOLD_MS else None


def outside_names(http: Http) -> frozenset[str]:
    """Names other than loopback under which the pages are reached: `hosts` and the host of `public_url`."""
    public = urlsplit(http.public_url).hostname if http.public_url is not None else None
    names = {*http.hosts, public or ""} - {""}
    return frozenset(f"[{n}]" if ":" in n and not n.startswith("[") else n.lower() for n in names if not is_loopback(n))


def require_door(services: Services) -> None:
    """Refuse to serve beyond loopback while there is no token to log in with. ConfigError.

    Not where the tokens went with a ledger that was lost: the house is watched on, and the door stays closed.
    """
    if not services.login_needed or services.keyring.open_door():
        return
    if services.loss is not None:
        log.error("nobody can log in, for the tokens are lost with the ledger: make one with `outlast token add NAME`")
        return
    http = services.installation.http
    if not is_loopback(http.host):
        key, reached = "http.host", http.host
    else:
        key = "http.hosts" if http.hosts else "http.public_url"
        reached = ", ".join(sorted(outside_names(http)))
    raise ConfigError(
        "outlast.toml", key, Said("config.is_reachable_by_others_and_no", reached=reached),
        Said("config.make_one_with_outlast_token_add"),
    )  # fmt: skip
