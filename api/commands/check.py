"""`outlast check`: the configuration tried against the live broker."""

from __future__ import annotations

import json
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import AsJson, ConfigDir, echo, echo_json, tell
from api.deliver.outbox import served
from api.deliver.reachable import contact_faults, of_contact
from api.offline.checking import MOST_HEARD, ChannelReport, ChannelVerdict, HeardMessage, examine
from api.tongue import spoken
from collector.clock import SystemClock
from collector.config.settings import Installation, load_installation
from collector.config.site_schema import site_schema
from collector.decode.payload import Decoder
from collector.mqtt.listening import listen
from collector.store.open import SQLITE, look_at_ledger
from forecaster.domain.errors import LedgerBehind, SessionError, StoreError, UsageError
from forecaster.domain.ports import Clock
from forecaster.domain.site import Site
from forecaster.domain.studyjobs import QueueSeen
from forecaster.texts.catalogue import Said, Words, with_unit, words
from forecaster.texts.failures import failure
from forecaster.texts.wording import Wording


@dataclass(frozen=True, slots=True)
class ContactVerdict:
    """A contact that cannot be told, and why."""

    site: str
    who: str
    says: str
    verdict: str = "not-told"


@dataclass(frozen=True, slots=True)
class AsideVerdict:
    """A site file, or a channel of one, that cannot be read, and why."""

    site: str
    says: str
    verdict: str = "set-aside"


SIGNS = {
    ChannelVerdict.OK: "ok",
    ChannelVerdict.REFUSED: "REFUSED",
    ChannelVerdict.DOUBTFUL: "DOUBT",
    ChannelVerdict.LAST_KNOWN: "OLD?",
    ChannelVerdict.SILENT: "SILENT",
}


WHOLE_S = 120.0
"""Who asks for so long wants the whole of it: some wiring mistakes show only after minutes [s]."""


def check(
    config: ConfigDir = Path(),
    seconds: Annotated[float, typer.Option(min=0.1)] = 30.0,
    schema: Annotated[bool, typer.Option("--schema")] = False,
    as_json: AsJson = False,
) -> int:
    """Listen to the broker and tell each channel's last value, its age and a verdict."""
    if schema:
        echo(json.dumps(site_schema(), indent=2))
        return 0
    installation = load_installation(config)
    sites = list(installation.sites.values())
    if not sites:
        raise UsageError(Said("cli.holds_no_site", value=config / "sites"), Said("cli.write_sites_id_toml_or_use"))
    clock = SystemClock()
    try:
        heard, refused = _listened(installation, sites, seconds, clock)
    except SessionError as error:
        echo(failure(error, spoken()), err=True)
        return 1
    findings = examine(sites, heard, clock.now_ms())
    say, channels = words(installation.words.language), served(installation)
    lost = [ContactVerdict(s.id, fault.who, fault.says) for s in sites for fault in contact_faults(s, channels, say)]
    aside = [
        AsideVerdict(item.site, str(item)) for item in installation.set_aside if item.whole or not of_contact(str(item))
    ]
    nobody = [site.id for site in sites if not site.contacts]
    clear = in_clear(installation)
    queue, away = studies(installation)
    behind = isinstance(away, LedgerBehind)  # no fault: it is made, or brought up to date, by a start
    wrong = bool(refused or lost or aside or clear or (away and not behind) or (queue is not None and queue.failed))
    well = all(f.verdict is ChannelVerdict.OK for f in findings) and not wrong
    if as_json:
        echo_json(
            {
                "ok": well,
                "messages": len(heard),
                "refused_filters": refused,
                "channels": [replace(finding, says=str(finding.says)) for finding in findings],
                "contacts": lost,
                "set_aside": aside,
                "without_contact": nobody,
                "in_clear": clear,
                "studies": queue,
                "ledger": None if away is None else away.reason,
            }
        )
    else:
        _tell(findings, refused, len(heard), words(installation.words.language))
        for contact in lost:
            tell(Said("cli.not_told", site=contact.site, says=contact.says))
        for part in aside:
            tell(Said("cli.set_aside", site=part.site, says=part.says))
        for site in nobody:
            tell(Said("cli.nobody", site=site))
        for setting in clear:
            tell(Said(f"cli.in_clear.{setting}"))
        if away is not None:
            tell(Said("cli.ledger_away", says=away.reason))
        if queue is not None:
            echo(_queue_line(queue))
    return 0 if well else 1


def in_clear(installation: Installation) -> list[str]:
    """Sections whose ca_file is there in vain, because their connection is not encrypted."""
    broker, mail = installation.broker, installation.mail
    encrypted = all(each.tls for each in broker.each)
    clear = {"broker": broker.ca_file and not encrypted, "mail": mail.ca_file and mail.security == "none"}
    return [section for section, vain in clear.items() if vain]


def studies(installation: Installation) -> tuple[QueueSeen | None, StoreError | None]:
    """How the queue of studies stands, and why the ledger cannot be asked; None, None where the ledger is a file."""
    if installation.ledger_url.startswith(SQLITE):
        return None, None
    try:
        with closing(look_at_ledger(installation.ledger_url)) as ledger:
            return ledger.queue_seen(), None
    except StoreError as error:
        return None, error


def _queue_line(queue: QueueSeen) -> str:
    waited = Wording("UTC", said_in=spoken()).duration(queue.oldest_s)
    return spoken()(
        "cli.queue_of_studies", waiting=queue.waiting, running=queue.running, failed=queue.failed,
        workers=queue.workers, waited=waited,
    )  # fmt: skip


def _listened(
    installation: Installation, sites: list[Site], seconds: float, clock: Clock
) -> tuple[list[HeardMessage], list[str]]:
    """What was heard in so many seconds, less where all channels are well before; and refused filters, sorted."""
    heard: list[HeardMessage] = []

    def hear(topic: str, payload: bytes, retained: bool) -> None:
        if len(heard) < MOST_HEARD:
            heard.append(HeardMessage(topic, payload, retained, clock.now_ms()))

    def enough() -> bool:
        return all(f.verdict is ChannelVerdict.OK for f in examine(sites, tuple(heard), clock.now_ms()))

    until = None if seconds >= WHOLE_S else enough
    return heard, sorted(listen(installation.broker, Decoder(sites).filters(), seconds, hear, until))


def _tell(findings: list[ChannelReport], refused: list[str], messages: int, say: Words) -> None:
    for finding in findings:
        value = "-" if finding.value is None else say.again(with_unit(f"{finding.value:g}", finding.unit))
        age = "" if finding.age_s is None else say("check.age", n=round(finding.age_s))
        name = f"{finding.site} {finding.quantity}{' of ' + finding.subject if finding.subject else ''}"
        line = f"{SIGNS[finding.verdict]:<8} {name:<36} {value:<16} {age:<12} {finding.topic}"
        echo(line.rstrip())
        if finding.says:
            echo(f"         {say.again(finding.says)}")
    for topic in refused:
        echo(say("check.refused", topic=topic))
    echo(say("check.messages", n=messages))
