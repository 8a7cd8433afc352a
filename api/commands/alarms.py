"""`outlast alarms`: list, acknowledge, shelve, preview on a log, and send a test message."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

from api.commands.common import AsJson, ConfigDir, complain_of, echo, echo_json, group, tell
from api.commands.durations import duration_ms
from api.commands.installed import Opened, opened
from api.http.answers import alarm_out
from api.offline.previewing import LimitsPreview, differences, parse_limits
from api.offline.replayedyear import YearReplay
from api.tongue import spoken
from collector.clock import SystemClock
from collector.config.settings import load_site
from collector.decode.log import MessageLog
from forecaster.alarms.plan import CHANNELS, HUBS
from forecaster.domain.alarms import OPEN, AlarmTransition
from forecaster.domain.errors import NotFound, UsageError
from forecaster.domain.records import Delivery
from forecaster.domain.site import AlarmLimits, Site
from forecaster.engine.document import time_text
from forecaster.texts.catalogue import Said, words
from forecaster.texts.doers import COMMAND_LINE
from forecaster.texts.reading import readable_line
from forecaster.texts.wording import Wording

app = group()

LONGEST_SHELF_MS = 7 * 86_400_000
AlarmId = Annotated[str, typer.Argument(metavar="ALARM")]
By = Annotated[str, typer.Option(metavar="NAME")]


@app.command("list")
def list_alarms(
    site: Annotated[str | None, typer.Option()] = None,
    everything: Annotated[bool, typer.Option("--all")] = False,
    config: ConfigDir = Path(),
    as_json: AsJson = False,
) -> int:
    """Alarms that stand, newest change first."""
    with opened(config) as found:
        if site is not None:
            found.site(site)
        alarms = found.ledger.alarms(site, None if everything else OPEN)
        if as_json:
            echo_json({"alarms": [alarm_out(alarm, names=True) for alarm in alarms]})
            return 0
        now_ms = SystemClock().now_ms()
        for alarm in alarms:
            known = found.installation.sites.get(alarm.site)
            wording = Wording("UTC") if known is None else Wording.of(known)
            echo(f"{alarm.id}  {alarm.priority.value}, {alarm.state.value}")
            echo(f"  {wording.clock(alarm.changed_ms, now_ms)}  {alarm.headline}")
            if alarm.cleared_ms is None:
                echo(f"  {alarm.action}")
        if not alarms:
            tell(Said("cli.no_alarm_stands"))
    return 0


def _ask(found: Opened, kind: str, alarm_id: str, body: dict[str, Any]) -> None:
    alarm = found.ledger.alarm(alarm_id)
    found.ledger.request(kind, alarm.id, msgspec.json.encode(body).decode(), SystemClock().now_ms())


@app.command()
def acknowledge(alarm: AlarmId, by: By = COMMAND_LINE, config: ConfigDir = Path()) -> int:
    """Say that somebody has seen an alarm and acts on it; reminders end."""
    with opened(config) as found:
        _ask(found, "acknowledge", alarm, {"by": readable_line(by)})
    tell(Said("cli.asked"))
    return 0


@app.command()
def shelve(
    alarm: AlarmId,
    duration: Annotated[str, typer.Option("--for", metavar="DURATION")],
    by: By = COMMAND_LINE,
    config: ConfigDir = Path(),
) -> int:
    """Keep an alarm quiet for a while; it comes back by itself if it still stands."""
    length_ms = duration_ms(duration)
    if length_ms > LONGEST_SHELF_MS:
        raise UsageError(Said("cli.an_alarm_is_shelved_for_at"), Said("cli.give_a_shorter_time"))
    with opened(config) as found:
        _ask(found, "shelve", alarm, {"by": readable_line(by), "until_ms": SystemClock().now_ms() + length_ms})
    tell(Said("cli.asked"))
    return 0


@app.command()
def unshelve(alarm: AlarmId, by: By = COMMAND_LINE, config: ConfigDir = Path()) -> int:
    """Bring a shelved alarm back before its time; people are told where it still stands."""
    with opened(config) as found:
        _ask(found, "unshelve", alarm, {"by": readable_line(by)})
    tell(Said("cli.asked"))
    return 0


@app.command("test")
def trial(
    site: Annotated[str, typer.Option()],
    channel: Annotated[list[str] | None, typer.Option(metavar="CHANNEL")] = None,
    wait: Annotated[str, typer.Option(metavar="DURATION")] = "60s",
    config: ConfigDir = Path(),
    as_json: AsJson = False,
) -> int:
    """Send a test message to every hub and person of a site, through the running program."""
    from api.deliver.links import tickets
    from api.deliver.outbox import served, trial_messages
    from api.deliver.reachable import contact_faults

    wanted = CHANNELS if not channel else frozenset(channel)
    unknown = sorted(wanted - CHANNELS)
    if unknown:
        raise UsageError(
            Said("cli.there_is_no_channel", unknown=unknown[0]),
            Said("cli.name_one_of", names=", ".join(sorted(CHANNELS))),
        )
    with opened(config) as found:
        known = found.site(site)
        code = tickets(found.installation, found.ledger).code
        channels = wanted & served(found.installation)
        owed = trial_messages(known, found.ledger, channels, SystemClock().now_ms(), code)
        if not owed:
            raise NotFound(Said("cli.receiver_for_these_channels_add_a"))
        found.ledger.commit_transitions([], owed, [])
        results = _results(found, owed, duration_ms(wait) / 1000.0)
        lost = contact_faults(known, channels | (CHANNELS - wanted), words(found.installation.words.language))
        results += [
            {"channel": "mail", "receiver": fault.who, "result": words()("outcome.not_told", says=fault.says)}
            for fault in lost
        ]
    nobody = bool(wanted - set(HUBS)) and all(item.channel in HUBS for item in owed)
    if as_json:
        echo_json({"site": site, "results": results, "nobody": nobody})
    else:
        for line in results:
            echo(f"{line['channel']:<8} {line['receiver']:<40} {spoken().line(line['result'])}")
        if nobody:
            echo(spoken()("reach.nobody"))
    return 0 if all(line["result"] == "sent" for line in results) else 1


def _results(found: Opened, owed: Sequence[Delivery], wait_s: float) -> list[dict[str, str]]:
    """Wait until every test message is settled, or the time is over."""
    from api.deliver.failing import faults_of
    from api.deliver.reachable import without_secrets

    deadline = time.monotonic() + wait_s
    open_keys = {item.key for item in owed}
    said_open: int | None = None
    while open_keys and time.monotonic() < deadline:
        if len(open_keys) != said_open:
            said_open = len(open_keys)
            left_s = max(0.0, deadline - time.monotonic())
            tell(
                Said("cli.waiting_for_of_messages_at_most", said_open=said_open, count=len(owed), left_s=left_s),
                err=True,
            )
        later_ms = max(item.expires_ms for item in owed)
        open_keys = {
            waiting.key for one in {item.channel for item in owed} for waiting in found.ledger.due(one, later_ms, 5_000)
        } & open_keys
        time.sleep(0.2)
    results = []
    for item in owed:
        fault = faults_of(found.ledger, item.channel).get(item.receiver)
        said = "sent"
        if fault is not None:
            said = words()("outcome.failed", replace=fault.error.replace(item.receiver, without_secrets(item.receiver)))
        elif item.key in open_keys:
            said = words()("outcome.waiting_is_outlast_run_running")
        results.append({"channel": item.channel, "receiver": without_secrets(item.receiver), "result": said})
    return results


@app.command()
def preview(
    site: Annotated[Path, typer.Option("--site", metavar="SITE.toml")],
    log: Annotated[list[str] | None, typer.Argument(metavar="[LOG…]")] = None,
    limit: Annotated[
        list[str] | None,
        typer.Option(metavar="KIND=VALUE"),
    ] = None,
    limits_of: Annotated[Path | None, typer.Option("--limits-of", metavar="SITE.toml")] = None,
    record: Annotated[bool, typer.Option("--record")] = False,
    config: ConfigDir = Path(),
    as_json: AsJson = False,
) -> int:
    """What the rules would have done on a recorded log, and what changed limits would have changed."""
    known = load_site(site)
    if record == bool(log):
        raise UsageError(Said("cli.preview_of_what"), Said("cli.preview_of_what_mend"))
    sets = [known.alarms]
    if limit or limits_of is not None:
        others = known.alarms if limits_of is None else load_site(limits_of).alarms
        sets.append(parse_limits(limit or (), others))
    if record:
        return _on_record(known, sets, config, as_json=as_json)
    return _on_log(known, sets, limit or [str(limits_of)], log or (), as_json=as_json)


def _on_log(known: Site, sets: list[AlarmLimits], tried: Sequence[str], log: Sequence[str], *, as_json: bool) -> int:
    """The preview on a recorded log. tried : what is tried beside the site's own limits, in words"""
    work = LimitsPreview(known, sets)
    messages = MessageLog(log)
    work.run(messages)
    complain_of(messages, "outlast alarms preview")
    if as_json:
        echo_json(_preview_document(work))
        return 0
    if not work.readings:
        tell(Said("cli.none_of_the_messages_is_of", messages=work.messages, site=known.id), err=True)
    _show(known, work.said[0], Said("cli.with_the_limits_of_the_site"))
    if len(sets) > 1:
        _show(known, work.said[1], Said("cli.with", names=", ".join(tried)))
        _show_differences(known, work)
    return 0


def _on_record(known: Site, sets: list[AlarmLimits], config: Path, *, as_json: bool) -> int:
    """The preview on the stored readings of the last year."""
    with opened(config) as found:
        tests = found.ledger.tests(found.site(known.id).id)
        work = YearReplay(known, found.store, sets, SystemClock().now_ms(), tests)
        work.run(lambda at_ms: tell(Said("cli.replayed_to", when=time_text(at_ms)), err=True))
    if as_json:
        echo_json(work.document())
        return 0
    if work.start_ms is None:
        tell(Said("cli.nothing_to_replay", site=known.id))
        return 0
    tell(Said("cli.replayed_from_to", start=_when(known, work.counted_ms), end=_when(known, work.end_ms)))
    for said, title in zip(work.said, ("cli.with_the_limits_of_the_site", "cli.with_the_others"), strict=False):
        tell(Said(title))
        for one in work.raised(said):
            over = "" if one.cleared_ms is None else f" – {_when(known, one.cleared_ms)}"
            echo(f"  {one.alarm.kind.value}  {_when(known, one.alarm.raised_ms)}{over}")
    return 0


def _when(site: Site, at_ms: int) -> str:
    return Wording.of(site).local(at_ms).strftime("%Y-%m-%d %H:%M")


def _show(site: Site, said: Sequence[AlarmTransition], title: str) -> None:
    tell(title)
    for item in said:
        if item.tell or item.kind.value in ("raised", "cleared"):
            mark = spoken()("cli.message") if item.tell else " " * len(spoken()("cli.message"))
            echo(f"  {_when(site, item.at_ms)}  {mark}  {item.alarm.kind.value}  {item.kind.value}")
            echo(f"      {item.alarm.headline}")
    if not said:
        tell(Said("cli.nothing"))
    told = sum(item.tell for item in said)
    tell(Said("cli.messages_to_a_person_who_takes", told=told))


def _show_differences(site: Site, work: LimitsPreview) -> None:
    found = differences(work.said[0], work.said[1])
    tell(Said("cli.what_the_change_makes_of_it") if found else Said("cli.the_change_makes_no_difference"))
    for item in found:
        if item.before is not None and item.after is not None:
            later = (item.later_s or 0.0) / 60.0
            key = "cli.minutes_later" if later > 0 else "cli.minutes_earlier"
            tell(Said(key, kind=item.kind.value, minutes=abs(later), when=_when(site, item.after.at_ms)))
        elif item.after is not None:
            tell(Said("cli.would_be_raised_at", kind=item.kind.value, when=_when(site, item.after.at_ms)))
        elif item.before is not None:
            tell(Said("cli.of_would_not_be_raised", kind=item.kind.value, when=_when(site, item.before.at_ms)))


def _preview_document(work: LimitsPreview) -> dict[str, Any]:
    def out(said: Sequence[AlarmTransition]) -> list[dict[str, Any]]:
        return [
            {"at": time_text(t.at_ms), "transition": t.kind.value, "told": t.tell, **alarm_out(t.alarm)} for t in said
        ]

    document: dict[str, Any] = {
        "site": work.site.id,
        "messages": work.messages,
        "readings": work.readings,
        "from": None if work.start_ms is None else time_text(work.start_ms),
        "to": None if work.end_ms is None else time_text(work.end_ms),
        "transitions": out(work.said[0]),
    }
    if len(work.said) > 1:
        document["changed"] = out(work.said[1])
        document["differences"] = [
            {
                "kind": item.kind.value,
                "before": None if item.before is None else time_text(item.before.at_ms),
                "after": None if item.after is None else time_text(item.after.at_ms),
            }
            for item in differences(work.said[0], work.said[1])
        ]
    return document
