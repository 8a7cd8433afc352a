"""`outlast discharge`: rehearse on the pack, to measure instead of assume."""

from __future__ import annotations

import time
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import AsJson, ConfigDir, echo, echo_json, group, tell
from api.commands.installed import Opened, opened
from api.http.rehearsal_answers import rehearsal_out
from api.tongue import spoken
from forecaster.discharge import Progress, progress
from forecaster.discharge.said import result_said
from forecaster.discharge.years import Years, compared
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.errors import UsageError
from forecaster.domain.site import Site
from forecaster.engine.document import time_text
from forecaster.live.rehearsals import ask_finish, evidence_of, running_test, say_pulled, start_test
from forecaster.sizing.told import help_line
from forecaster.texts.catalogue import Figure, Said, Words
from forecaster.texts.doers import COMMAND_LINE, doer

app = group()

SiteId = Annotated[str, typer.Argument(metavar="SITE")]
UntilPercent = Annotated[float | None, typer.Option()]
ForHours = Annotated[float | None, typer.Option()]
Until = Annotated[str | None, typer.Option(metavar="TIME")]


@app.command()
def start(
    site_id: SiteId,
    until_percent: UntilPercent = None,
    for_hours: ForHours = None,
    until: Until = None,
    config: ConfigDir = Path(),
    as_json: AsJson = False,
) -> int:
    """Start a discharge test; then say `outlast discharge pull SITE` and pull the pack's plug from the wall."""
    now_ms = time.time_ns() // 1_000_000
    with opened(config) as has:
        site = has.site(site_id)
        test = start_test(has.ledger, site, COMMAND_LINE, now_ms, until_percent, _until_ms(until, for_hours, now_ms))
        if as_json:
            echo_json(rehearsal_out(test, progress(test, None, now_ms)))
        else:
            floor = site.pack.reserve_percent
            tell(Said("cli.discharge_test_of_is_waiting_and", name=site.name, site=site.id, floor=floor))
    return 0


@app.command()
def pull(site_id: SiteId, config: ConfigDir = Path(), as_json: AsJson = False) -> int:
    """Say "I am pulling the plug now"; until then a waiting test mutes no alarm."""
    now_ms = time.time_ns() // 1_000_000
    with opened(config) as has:
        site = has.site(site_id)
        test = say_pulled(has.ledger, site, _running(has, site_id).id, now_ms)
        if as_json:
            echo_json(rehearsal_out(test, progress(test, None, now_ms)))
        else:
            tell(progress(test, None, now_ms).says)
    return 0


@app.command()
def finish(site_id: SiteId, config: ConfigDir = Path(), as_json: AsJson = False) -> int:
    """Finish the running discharge test by hand."""
    with opened(config) as has:
        test = _running(has, site_id)
        number = ask_finish(has.ledger, site_id, test.id, time.time_ns() // 1_000_000)
        if as_json:
            echo_json({"request": number, "id": test.id})
        else:
            tell(Said("cli.the_test_ends_as_soon_as"))
    return 0


@app.command()
def show(site_id: SiteId, config: ConfigDir = Path(), as_json: AsJson = False) -> int:
    """Show discharge tests of all years, newest first, and how far a running one is."""
    now_ms = time.time_ns() // 1_000_000
    with opened(config) as has:
        site = has.site(site_id)
        shown = [(test, _progress(has, site, test, now_ms)) for test in has.ledger.tests(site.id)]
        years = compared(site, [test for test, _ in shown], has.ledger.work(site.id), now_ms)
    if as_json:
        over_years = None if years is None else years.document()
        tests = [rehearsal_out(test, so_far) for test, so_far in shown]
        echo_json({"site": site.id, "tests": tests, "over_years": over_years})
    elif not shown:
        tell(Said("cli.no_discharge_test_of_yet_outlast", name=site.name, site=site.id))
    else:
        say = spoken().of_site(site)
        parts = [told(test, so_far, say) for test, so_far in shown]
        echo("\n\n".join([*([] if years is None else [years_told(years, say)]), *parts]))
    return 0


def _running(has: Opened, site_id: str) -> DischargeTest:
    test = running_test(has.ledger, has.site(site_id).id)
    if test is None:
        raise UsageError(
            Said("cli.no_discharge_test_of_is_running", site_id=site_id),
            Said("cli.outlast_discharge_start_starts_one", site_id=site_id),
        )
    return test


def _progress(has: Opened, site: Site, test: DischargeTest, now_ms: int) -> Progress | None:
    if test.finished_ms is not None:
        return None
    return progress(test, evidence_of(has.store, has.ledger, site, test, now_ms), now_ms)


def _until_ms(until: str | None, for_hours: float | None, now_ms: int) -> int | None:
    if until is not None and for_hours is not None:
        raise UsageError(Said("cli.until_and_for_hours_are_both"), Said("cli.keep_one_of_them"))
    if for_hours is not None:
        return now_ms + round(for_hours * 3_600_000)
    if until is None:
        return None
    try:
        moment = datetime.fromisoformat(until)
    except ValueError:
        raise UsageError(Said("cli.until_is_not_a_time", until=until), Said("cli.write_it_as_2026_03_03t18")) from None
    if moment.tzinfo is None:
        raise UsageError(Said("cli.until_has_no_zone", until=until), Said("cli.write_it_as_2026_03_03t18"))
    return round(moment.timestamp() * 1000)


def told(test: DischargeTest, so_far: Progress | None, say: Words) -> str:
    """A test as text: the verdict first, then the reasons and cautions."""
    head = say(
        "rehearsal.started_by", at=time_text(test.started_ms), who=doer(test.started_by or say("link.someone"), say)
    )
    if so_far is not None:
        return f"{head}\n  {say.again(so_far.says)}"
    if test.result is None:
        return f"{head}\n  {say('rehearsal.no_result')}"
    said = result_said(test.result, say)
    lines = [
        f"{head}: {said.verdict}",
        *said.reasons,
        *(say("rehearsal.mind", what=caution) for caution in said.cautions),
    ]
    if said.helps:
        lines += [say("rehearsal.helps"), *(f"  {help_line(one, say)}" for one in said.helps)]
    return "\n  ".join(lines)


def years_told(years: Years, say: Words) -> str:
    """The tests compared over the years, as text: what they say, and the capacity at each."""
    lines = [f"{say('years.title')}: {say.again(years.says)}"]
    for one in years.tests:
        low, middle, high = (Figure(f"{value:.0f}") for value in one.capacity_wh)
        lines.append(say("years.line", at=Figure(time_text(one.at_ms)[:10]), low=low, middle=middle, high=high))
    return "\n  ".join(lines)
