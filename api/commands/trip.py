"""`outlast trip`: will the floor stay dry while nobody is there?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import AsJson, ConfigDir, echo, echo_json
from api.commands.durations import DAY, day_of, moment_ms
from api.commands.installed import opened
from api.tongue import spoken
from collector.clock import SystemClock
from forecaster.domain.site import Site
from forecaster.texts.catalogue import Words
from forecaster.trip.answering import (
    TripAnswer,
    answer_trip,
    cause_text,
    help_text,
    percent_text,
    shares_out,
    whole_days_ms,
)  # fmt: skip

SiteId = Annotated[str, typer.Argument(metavar="SITE")]
Leave = Annotated[str, typer.Option("--leave", metavar="TIME")]
Back = Annotated[str, typer.Option("--back", metavar="TIME")]
Away = Annotated[list[str] | None, typer.Option("--away", metavar="NAME")]


def trip(
    site_id: SiteId, leave: Leave, back: Back, away: Away = None, config: ConfigDir = Path(), as_json: AsJson = False
) -> int:
    """Before a trip: the chance of a wet floor, by cause, what helps most, and what the answer rests on."""
    with opened(config) as has:
        site = has.site(site_id)
        found = answer_trip(site, has.ledger, SystemClock().now_ms(), *span_ms(site, leave, back), away or None)
    if as_json:
        echo_json(found.document())
    else:
        echo("\n".join(lines(found, spoken())))
    return 0


def span_ms(site: Site, leave: str, back: str) -> tuple[int, int]:
    """Two times in UTC milliseconds; two days without a time last from one morning to the other's end. UsageError."""
    if DAY.fullmatch(leave) and DAY.fullmatch(back):
        return whole_days_ms(site, day_of(leave), day_of(back))
    return moment_ms(leave), moment_ms(back)


def lines(found: TripAnswer, say: Words) -> list[str]:
    """The answer as text."""
    causes = [(say.signs(f"{share:.0%}"), cause_text(cause)) for cause, share in shares_out(found.floor)]
    changes = [(say.again(percent_text(one.after.quantiles()[1])), help_text(one.what)) for one in found.helps]
    told = [say.again(found.says), "", say("trip.causes")]
    told += [f"  {figure:>6}  {say.again(said)}" for figure, said in causes]
    told += ["", say("trip.helps")]
    told += [f"  {figure:>6}  {say.again(said)}" for figure, said in changes]
    told += ["", say("trip.rests-on"), *(f"  {say.again(line)}" for line in found.rests_on)]
    return [*told, "", *(say.again(line) for line in found.cautions)]
