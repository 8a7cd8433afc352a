"""What the forecast worker keeps from one turn to the next."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from forecaster.domain.alarms import AlarmTransition
from forecaster.domain.ports import Ledger
from forecaster.domain.records import Checkpoint, Delivery
from forecaster.domain.site import Site

COMMITTED = 50
"""Sites whose transitions are committed at once: in a storm, or after a takeover, many have some in the same turn."""

PlanDeliveries = Callable[[Site, Sequence[AlarmTransition], int], list[Delivery]]
"""Plans the deliveries of transitions: (site, transitions, now_ms) -> deliveries."""


@dataclass(frozen=True, slots=True)
class PendingTransitions:
    """Transitions that wait to be committed, with the state that the site's alarms were left in."""

    site: Site
    transitions: list[AlarmTransition]
    at_ms: int
    checkpoint: Checkpoint


def first_of_each(pending: Sequence[PendingTransitions]) -> list[PendingTransitions]:
    """The first of them, up to where a site comes again: what is planned for it may rest on what was told before."""
    sites = set[str]()
    for place, one in enumerate(pending):
        if one.site.id in sites:
            return list(pending[:place])
        sites.add(one.site.id)
    return list(pending)


def commit(
    lot: Sequence[PendingTransitions], ledger: Ledger, plan: PlanDeliveries
) -> tuple[list[AlarmTransition], list[Delivery]]:
    """Commit the transitions of different sites in one transaction. Returns them, and the deliveries planned."""
    deliveries = [delivery for one in lot for delivery in plan(one.site, one.transitions, one.at_ms)]
    transitions = [transition for one in lot for transition in one.transitions]
    ledger.commit_transitions(transitions, deliveries, [one.checkpoint for one in lot])
    return transitions, deliveries


@dataclass(slots=True)
class WorkerCounts:
    """What this process has done since it started."""

    readings: int = 0
    forecasts: int = 0
    transitions: int = 0
    faults: int = 0
