"""`outlast token`: the keys that open the API to others than this machine."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import AsJson, ConfigDir, echo, echo_json, group, tell
from api.deliver.couriers import own_url, public_url
from api.http.keyring import calendar_path, new_token, revoke_token
from api.tongue import spoken
from collector.clock import SystemClock
from collector.config.settings import load_installation
from collector.store.open import open_ledger
from forecaster.domain.errors import UsageError
from forecaster.domain.records import Token
from forecaster.engine.document import time_ms, time_text
from forecaster.texts.catalogue import Said

app = group()


class Scope(StrEnum):
    """What a token may do."""

    READ = "read"
    OPERATE = "operate"
    CALENDAR = "calendar"


def _out(token: Token) -> dict[str, str | None]:
    return {
        "id": token.id,
        "name": token.name,
        "scope": token.scope,
        "site": token.site,
        "created": time_text(token.created_ms),
        "last_used": None if token.last_used_ms is None else time_text(token.last_used_ms),
        "revoked": None if token.revoked_ms is None else time_text(token.revoked_ms),
        "ends": None if token.ends_ms is None else time_text(token.ends_ms),
    }


@app.command()
def add(
    name: Annotated[str, typer.Argument()],
    scope: Annotated[
        Scope,
        typer.Option(),
    ] = Scope.READ,
    site: Annotated[str | None, typer.Option()] = None,
    until: Annotated[str | None, typer.Option(metavar="TIME")] = None,
    config: ConfigDir = Path(),
    as_json: AsJson = False,
) -> None:
    """Make a token, or the address of a site's calendar. It is shown once and kept only as a hash."""
    installation = load_installation(config)
    if site is not None and site not in installation.sites:
        raise UsageError(
            Said("cli.no_site", site=site), Said("cli.there_are", value=", ".join(installation.sites) or "none")
        )
    if scope is Scope.CALENDAR and site is None:
        raise UsageError(Said("cli.a_calendar_is_of_one_site"), Said("cli.name_it_with_site"))
    ends_ms = None if until is None else time_ms(until)
    ledger = open_ledger(installation.ledger_url, owner=False)
    try:
        token, secret = new_token(ledger, SystemClock(), name, scope.value, site, ends_ms)
    finally:
        ledger.close()
    shown = secret
    if scope is Scope.CALENDAR:
        shown = f"{public_url(installation) or own_url(installation)}{calendar_path(secret)}"
    if as_json:
        echo_json({**_out(token), "token": shown})
    else:
        echo(shown)


@app.command(name="list")
def list_tokens(config: ConfigDir = Path(), as_json: AsJson = False) -> None:
    """List the tokens, revoked ones included."""
    ledger = open_ledger(load_installation(config).ledger_url, owner=False)
    try:
        lines = [_out(token) for token in ledger.tokens()]
    finally:
        ledger.close()
    if as_json:
        echo_json({"tokens": lines})
        return
    for line in lines:
        state = (
            Said("cli.revoked", line=line["revoked"])
            if line["revoked"]
            else Said("cli.last_used", value=line["last_used"] or Said("cli.never"))
        )
        ends = f", {spoken()('cli.ends', at=line['ends'])}" if line["ends"] and not line["revoked"] else ""
        where = line["site"] or spoken()("cli.all_sites")
        echo(f"{line['id']}  {line['scope']:<8}{where:<16}{line['name']:<20}{spoken().again(state)}{ends}")


@app.command()
def revoke(token: Annotated[str, typer.Argument()], config: ConfigDir = Path()) -> None:
    """Revoke a token, at once."""
    ledger = open_ledger(load_installation(config).ledger_url, owner=False)
    try:
        gone = revoke_token(ledger, SystemClock(), token)
    finally:
        ledger.close()
    tell(Said("cli.opens_nothing_any_more", gone=gone.id, gone_2=gone.name))
