"""Which members share the work of an installation, and what each carries: for `outlast members` and the metrics."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from api.process.joining import ONCE
from api.process.parts import Part
from collector.rendezvous import SHARES
from collector.share import share_of
from forecaster.domain.counts import Count
from forecaster.domain.leases import MemberSeen
from forecaster.domain.studyjobs import QueueSeen
from forecaster.engine.document import time_text

ROLES = (Part.COLLECT.value, Part.FORECAST.value)


@dataclass(frozen=True, slots=True)
class Uncarried:
    """What of a role nobody carries: shares, the sites in them, and whether deliveries are among it."""

    shares: tuple[int, ...]
    sites: tuple[str, ...]
    deliveries: bool

    @property
    def matters(self) -> bool:
        """Whether a site or the deliveries have nobody; a share without sites needs nobody."""
        return bool(self.sites) or self.deliveries


@dataclass(frozen=True, slots=True)
class MemberView:
    """The members of an installation, its sites, and what nobody carries.

    uncarried : by role, only for roles that somebody has joined
    """

    members: tuple[MemberSeen, ...]
    sites: Collection[str]
    uncarried: Mapping[str, Uncarried] = field(init=False)

    def __post_init__(self) -> None:
        joined = {member.role for member in self.members}
        uncarried = {role: self._uncarried(role) for role in ROLES if role in joined}
        object.__setattr__(self, "uncarried", uncarried)

    @property
    def differ(self) -> tuple[str, ...]:
        """Names of the living members where their folders do not all describe the same sites; empty where they do."""
        living = [member for member in self.members if member.living]
        alike = len({member.told.described for member in living}) < 2
        return () if alike else tuple(sorted({member.name for member in living}))

    @property
    def well(self) -> bool:
        """Whether somebody has joined, every site and the deliveries are carried, and all describe the same sites."""
        whole = bool(self.uncarried) and not any(one.matters for one in self.uncarried.values())
        return whole and not self.differ

    def sites_of(self, shares: Iterable[int]) -> tuple[str, ...]:
        """The sites in some shares, sorted by id."""
        among = frozenset(shares)
        return tuple(site for site in sorted(self.sites) if share_of(site, SHARES) in among)

    def _uncarried(self, role: str) -> Uncarried:
        carried = {share for member in self.members if member.role == role for share in member.shares}
        shares = tuple(share for share in range(1, SHARES + 1) if share not in carried)
        return Uncarried(shares, self.sites_of(shares), role == Part.FORECAST.value and ONCE not in carried)

    def out(self, now_ms: int) -> dict[str, Any]:
        """The view as JSON. now_ms : int — UTC milliseconds"""
        return {
            "as_of": time_text(now_ms),
            "shares": SHARES,
            "members": [self._member(member) for member in self.members],
            "uncarried": {
                role: {"shares": one.shares, "sites": one.sites, "deliveries": one.deliveries}
                for role, one in self.uncarried.items()
            },
            "differ": self.differ,
        }

    def _member(self, member: MemberSeen) -> dict[str, Any]:
        return {
            "role": member.role,
            "name": member.name,
            "host": member.told.host,
            "process": member.told.process,
            "joined_at": time_text(member.joined_ms),
            "silent_s": round(member.silent_s, 1),
            "living": member.living,
            "shares": [share for share in member.shares if share != ONCE],
            "sites": self.sites_of(member.shares),
            "deliveries": ONCE in member.shares,
            "describes_sites": member.told.sites,
        }


def view(members: Sequence[MemberSeen], sites: Collection[str]) -> MemberView:
    """The view of members and sites of an installation. sites : by id"""
    return MemberView(tuple(members), sites)


def member_counts(seen: MemberView) -> Iterator[Count]:
    """Counts of the members for the metrics; none where nobody has joined."""
    for member in seen.members:
        labels = (("role", member.role), ("member", member.name))
        yield Count("outlast_member_up", "gauge", "Whether the member's heartbeat is recent.", member.living, labels)
        shares = float(len(set(member.shares) - {ONCE}))
        yield Count("outlast_member_shares", "gauge", "Shares whose leases a member has.", shares, labels)
        sites = float(len(seen.sites_of(member.shares)))
        yield Count("outlast_member_sites", "gauge", "Sites that a member carries.", sites, labels)
        delivers = float(ONCE in member.shares)
        yield Count("outlast_member_delivers", "gauge", "Whether a member sends the messages.", delivers, labels)
    for role, one in seen.uncarried.items():
        lone = float(len(one.sites))
        yield Count("outlast_sites_uncarried", "gauge", "Sites that no member carries.", lone, (("role", role),))


def queue_counts(seen: QueueSeen | None) -> Iterator[Count]:
    """Counts of the queue of studies for the metrics; none where there is no queue."""
    if seen is None:
        return
    for state in ("waiting", "running", "done", "failed", "retried"):
        number, label = float(getattr(seen, state)), (("state", state),)
        yield Count("outlast_study_jobs", "gauge", "Studies in the queue; done ones of two days.", number, label)
    yield Count("outlast_study_oldest_seconds", "gauge", "Age of the study that has waited longest.", seen.oldest_s)
    yield Count("outlast_study_workers", "gauge", "Workers on the queue of studies.", float(seen.workers))
