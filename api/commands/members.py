"""`outlast members`: who has joined the work on a shared ledger, and who carries which sites."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

from api.commands.common import AsJson, ConfigDir, echo, echo_json
from api.process.members import MemberView, view
from api.tongue import spoken
from collector.clock import SystemClock
from collector.config.settings import load_installation
from collector.rendezvous import SHARES
from collector.store.open import SQLITE, look_at_ledger
from forecaster.domain.errors import LedgerBehind, UsageError
from forecaster.domain.leases import MemberSeen
from forecaster.texts.catalogue import Said, Words

NAMED = 8
"""Most sites named in a line."""


def members(config: ConfigDir = Path(), as_json: AsJson = False) -> int:
    """Tell who has joined the work on a ledger on PostgreSQL, and which sites each member carries."""
    installation = load_installation(config)
    if installation.ledger_url.startswith(SQLITE):
        raise UsageError(Said("members.none_without_postgresql"), Said("members.set_store_ledger"))
    seen = view(_joined(installation.ledger_url), installation.sites)
    if as_json:
        echo_json(seen.out(SystemClock().now_ms()))
    else:
        for line in lines(seen, spoken()):
            echo(line)
    return 0 if seen.well else 1


def _joined(url: str) -> list[MemberSeen]:
    """Who has joined; nobody where nothing was ever started. Errors: StoreUnavailable."""
    try:
        with closing(look_at_ledger(url)) as ledger:
            return ledger.members()
    except LedgerBehind as error:
        if error.version:
            raise
        return []


def lines(seen: MemberView, say: Words) -> list[str]:
    """The table, and what is wrong."""
    if not seen.members:
        return [say("members.nobody")]
    heads = ("role", "name", "host", "beat", "shares", "sites", "once")
    rows = [[say(f"members.{head}") for head in heads], *(row(seen, member, say) for member in seen.members)]
    widths = [max(len(line[place]) for line in rows) for place in range(len(heads))]
    found = ["  ".join(f"{cell:<{width}}" for cell, width in zip(line, widths, strict=True)).rstrip() for line in rows]
    for role, one in seen.uncarried.items():
        named = say(f"members.{role}")
        if one.sites:
            told = ", ".join(one.sites[:NAMED]) + (" …" if len(one.sites) > NAMED else "")
            found.append(say("members.uncarried", role=named, count=len(one.shares), whole=SHARES, sites=told))
        if one.deliveries:
            found.append(say("members.uncarried_once", role=named))
    if seen.differ:
        found.append(say("members.differs", names=", ".join(seen.differ)))
    return found


def row(seen: MemberView, member: MemberSeen, say: Words) -> list[str]:
    """A line of the table."""
    heard = say("members.ago" if member.living else "members.silent", silent_s=member.silent_s)
    shares = [share for share in member.shares if share]
    once = say("members.deliveries") if len(shares) < len(member.shares) else ""
    sites = len(seen.sites_of(shares))
    return [say(f"members.{member.role}"), member.name, member.told.host, heard, str(len(shares)), str(sites), once]
