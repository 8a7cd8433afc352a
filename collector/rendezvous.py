"""Who carries which share of the sites where several members work: rendezvous hashing over those that live.

Every member weighs each share for every living member by the same hash, and the greatest weight has it (highest random
weight: Thaler and Ravishankar, IEEE/ACM Transactions on Networking 6(1), 1998). Nobody has to be asked, all come to the
same answer, and only the shares of a member that comes or goes change hands.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from hashlib import blake2b

SHARES = 64
"""Into so many shares the sites are divided where members join: a share is what changes hands as a whole. It is never
changed, for each has a session at the broker, in which messages may wait."""


def carrier_of(key: str, members: Collection[str]) -> str | None:
    """The member that carries what a key names; None where nobody lives."""
    return max(members, key=lambda member: (_weight(key, member), member), default=None)


def carried_by(member: str, role: str, shares: Iterable[int], members: Collection[str]) -> frozenset[int]:
    """The shares of a role that a member carries, beside all living members of that role (itself among them)."""
    return frozenset(share for share in shares if carrier_of(f"{role}:{share}", members) == member)


def _weight(key: str, member: str) -> bytes:
    return blake2b(f"{key}\0{member}".encode(), digest_size=8).digest()
