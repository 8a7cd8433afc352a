"""Cleans up after changes of the site files: closes alarms of removed sites and forgets removed people."""

from __future__ import annotations

import logging
from collections.abc import Collection, Iterable
from dataclasses import replace

import msgspec

from forecaster.alarms.standing import ManagerState
from forecaster.domain.alarms import OPEN, Alarm, AlarmState, AlarmTransition, TransitionKind
from forecaster.domain.errors import SnapshotError
from forecaster.domain.ports import Ledger
from forecaster.domain.records import Checkpoint
from forecaster.domain.site import Site
from forecaster.engine.packing import packed, unpacked
from forecaster.texts.catalogue import words

log = logging.getLogger("outlast.forecast")

FOR_EVER_MS = 2**52
MOST = 100_000
WHY = words()("fault.the_site_is_not_there_any")

PEOPLE = "people"
"""The ledger note, one for each site, of the contacts in the site file when it was last read."""


def close_departed(ledger: Ledger, sites: Collection[str], channels: Collection[str], now_ms: int) -> list[Alarm]:
    """Close the alarms of sites that are not among these, and give up their deliveries. Returns the closed alarms.

    sites : ids of all sites of the installation, including those whose file is set aside
    channels : the channels whose deliveries are searched
    A site that comes back begins with a new alarm manager. StoreError.
    """
    gone = [alarm for alarm in ledger.alarms(None, OPEN, MOST) if alarm.site not in sites]
    closed = [_closed(alarm, now_ms) for alarm in gone]
    if closed:
        blank = [Checkpoint(site, None, now_ms, ManagerState().encode()) for site in {alarm.site for alarm in gone}]
        transitions = [AlarmTransition(alarm, TransitionKind.CLEARED, now_ms, tell=False) for alarm in closed]
        ledger.commit_transitions(transitions, [], blank)
    for channel in channels:
        for owed in ledger.due(channel, FOR_EVER_MS, MOST):
            if owed.site and owed.site not in sites:
                ledger.settle(replace(owed, gave_up=True, last_error=WHY))
    return closed


def forget_departed(ledger: Ledger, sites: Iterable[Site], known: Collection[str]) -> int:
    """Erase contacts who are no longer in the site files from the ledger. Returns how many people were erased.

    sites : as described now; where a part is set aside nobody is forgotten, because the contact may be in that part
    known : ids of all sites of the installation, including those whose file is set aside
    The names are kept as one note for each site, which this reads and writes. StoreError.
    """
    erased = 0
    for site in sites:
        if not site.set_aside:
            erased += _forget(ledger, site.id, {contact.name for contact in site.contacts})
    for note in ledger.notes(PEOPLE):
        site_id = note.partition(":")[2]
        if site_id and site_id not in known:
            erased += _forget(ledger, site_id, set())
            ledger.forget_note(note)
    return erased


def _forget(ledger: Ledger, site: str, named: set[str]) -> int:
    note = f"{PEOPLE}:{site}"
    kept = ledger.noted(note)
    before = set() if kept is None else set(msgspec.json.decode(kept, type=list[str]))
    for who in sorted(before - named):
        ledger.erase_person(site, who)
        _forget_in_manager(ledger, site, who)
        _forget_in_browsers(ledger, site, who)
    if before != named:
        ledger.note(note, msgspec.json.encode(sorted(named)).decode())
    return len(before - named)


def _forget_in_manager(ledger: Ledger, site: str, who: str) -> None:
    """Remove a name from the saved state of the alarm manager, which would otherwise write it to the ledger again."""
    kept = ledger.checkpoint("alarms", site)
    if kept is None:
        return
    try:
        state = ManagerState.decode(unpacked(kept.state))
    except SnapshotError as error:
        log.warning("site %s: the kept alarms cannot be read, and are taken up from the ledger: %s", site, error)
        return
    if state.forget(who):
        ledger.commit_transitions([], [], [replace(kept, state=packed(state.encode()))])


def _forget_in_browsers(ledger: Ledger, site: str, who: str) -> None:
    """Take a name off the browsers that carry it: they go on being told, as anybody's, until their token ends."""
    label = who.strip().casefold()
    others = [kept for note, kept in ledger.notes(PEOPLE).items() if note != f"{PEOPLE}:{site}"]
    named = {name.strip().casefold() for kept in others for name in msgspec.json.decode(kept, type=list[str])}
    for held in ledger.subscriptions():
        theirs = held.label.strip().casefold() == label
        if theirs and (held.site == site or (held.site is None and label not in named)):
            ledger.save_subscription(replace(held, label=words()("reach.browser")))


def _closed(alarm: Alarm, now_ms: int) -> Alarm:
    return replace(
        alarm, state=AlarmState.NORMAL, changed_ms=now_ms, cleared_ms=alarm.cleared_ms or now_ms, by_ms=None,
        shelved_until_ms=None, revision=alarm.revision + 1,
    )  # fmt: skip
