"""`outlast discharge`: rehearse on the pack, to measure instead of assume."""

from __future__ import annotations

import time
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import AsJson, ConfigDir, echo_json, group
from api.commands.installed import Opened, opened
from api.http.rehearsal_answers import rehearsal_out
from forecaster.discharge import Progress, progress
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.errors import UsageError
from forecaster.domain.site import Site
from forecaster.engine.document import time_text
from forecaster.live.rehearsals import ask_finish, evidence_of, running_test, say_pulled, start_test
from forecaster.texts.catalogue import words

HELP = """Rehearse on the pack: start, pull the plug, finish or show a discharge test.

Example: outlast discharge start larkspur --until-percent 60
"""

app = group(HELP)

SiteId = Annotated[str, typer.Argument(metavar="SITE", help="Site id.")]
UntilPercent = Annotated[float | None, typer.Option(help="Finish at this charge [%]; never below the reserve floor.")]
ForHours = Annotated[float | None, typer.Option(help="Finish after so many hours.")]
Until = Annotated[str | None, typer.Option(metavar="TIME", help="Finish at this time, RFC 3339.")]


@app.command()
def start(
    site_id: SiteId,
    until_percent: UntilPercent = None,
    for_hours: ForHours = None,
    until: Until = None,
    config: ConfigDir = Path(),
    as_json: AsJson = False,
) -> int:
    """Start a discharge test; then say `outlast discharge pull SITE` and pull the pack's plug from the wall.

    Refused while the pack carries the pump or an outage alarm stands.

    Example: outlast discharge start larkspur --until-percent 60
    """
    now_ms = time.time_ns() // 1_000_000
    with opened(config) as has:
        site = has.site(site_id)
        test = start_test(has.ledger, site, "command line", now_ms, until_percent, _until_ms(until, for_hours, now_ms))
        if as_json:
            echo_json(rehearsal_out(test, progress(test, None, now_ms)))
        else:
            floor = site.pack.reserve_percent
            typer.echo(
                f"Discharge test of {site.name} is waiting, and mutes no alarm yet. Say `outlast discharge pull "
                f"{site.id}`, then pull the pack's plug from the wall within ten minutes, standing dry; put it back "
                f"when told, and at the latest at {floor:g} %."
            )
    return 0


@app.command()
def pull(site_id: SiteId, config: ConfigDir = Path(), as_json: AsJson = False) -> int:
    """Say "I am pulling the plug now"; until then a waiting test mutes no alarm.

    Example: outlast discharge pull larkspur
    """
    now_ms = time.time_ns() // 1_000_000
    with opened(config) as has:
        site = has.site(site_id)
        test = say_pulled(has.ledger, site, _running(has, site_id).id, now_ms)
        if as_json:
            echo_json(rehearsal_out(test, progress(test, None, now_ms)))
        else:
            typer.echo(progress(test, None, now_ms).says)
    return 0


@app.command()
def finish(site_id: SiteId, config: ConfigDir = Path(), as_json: AsJson = False) -> int:
    """Finish the running discharge test by hand.

    Example: outlast discharge finish larkspur
    """
    with opened(config) as has:
        test = _running(has, site_id)
        number = ask_finish(has.ledger, site_id, test.id, time.time_ns() // 1_000_000)
        if as_json:
            echo_json({"request": number, "id": test.id})
        else:
            typer.echo("The test ends as soon as the running forecaster reads this. Put the plug back in the wall.")
    return 0


@app.command()
def show(site_id: SiteId, config: ConfigDir = Path(), as_json: AsJson = False) -> int:
    """Show discharge tests of all years, newest first, and how far a running one is.

    Example: outlast discharge show larkspur
    """
    now_ms = time.time_ns() // 1_000_000
    with opened(config) as has:
        site = has.site(site_id)
        shown = [(test, _progress(has, site, test, now_ms)) for test in has.ledger.tests(site.id)]
    if as_json:
        echo_json({"site": site.id, "tests": [rehearsal_out(test, so_far) for test, so_far in shown]})
    elif not shown:
        typer.echo(f"No discharge test of {site.name} yet. `outlast discharge start {site.id}` starts one.")
    else:
        typer.echo("\n\n".join(told(test, so_far) for test, so_far in shown))
    return 0


def _running(has: Opened, site_id: str) -> DischargeTest:
    test = running_test(has.ledger, has.site(site_id).id)
    if test is None:
        raise UsageError(
            f"no discharge test of {site_id} is running", f"`outlast discharge start {site_id}` starts one"
        )
    return test


def _progress(has: Opened, site: Site, test: DischargeTest, now_ms: int) -> Progress | None:
    if test.finished_ms is not None:
        return None
    return progress(test, evidence_of(has.store, has.ledger, site, test, now_ms), now_ms)


def _until_ms(until: str | None, for_hours: float | None, now_ms: int) -> int | None:
    if until is not None and for_hours is not None:
        raise UsageError("--until and --for-hours are both given", "keep one of them")
    if for_hours is not None:
        return now_ms + round(for_hours * 3_600_000)
    if until is None:
        return None
    try:
        moment = datetime.fromisoformat(until)
    except ValueError:
        raise UsageError(f"--until: {until!r} is not a time", "write it as 2026-03-03T18:00:00Z") from None
    if moment.tzinfo is None:
        raise UsageError(f"--until: {until!r} has no zone", "write it as 2026-03-03T18:00:00Z")
    return round(moment.timestamp() * 1000)


def told(test: DischargeTest, so_far: Progress | None) -> str:
    """A test as text: the verdict first, then the reasons and cautions."""
    say = words()
    head = say("rehearsal.started_by", at=time_text(test.started_ms), who=test.started_by or say("link.someone"))
    if so_far is not None:
        return f"{head}\n  {so_far.says}"
    if test.result is None:
        return f"{head}\n  {say('rehearsal.no_result')}"
    lines = [
        f"{head}: {test.result.verdict}",
        *test.result.reasons,
        *(say("rehearsal.mind", what=c) for c in test.result.cautions),
    ]
    return "\n  ".join(lines)
