"""Which member carries which share of the sites where several work: rendezvous hashing over the living members.

For each share, every member computes a weight of each living member by the same hash; the member of greatest weight
carries the share (highest random weight: Thaler and Ravishankar, IEEE/ACM Transactions on Networking 6(1), 1998). All
come to the same answer without asking one another, and only the shares of a member that comes or goes change hands.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from hashlib import blake2b

SHARES = 64
"""How many shares the sites are divided into where members join. A share changes hands as a whole. The number must
never change, because each share has its own session at the broker, in which messages may wait."""


def carrier_of(key: str, members: Collection[str]) -> str | None:
    """The member that carries what a key names, such as "collect:7"; None where there are no members."""
    return max(members, key=lambda member: (_weight(key, member), member), default=None)


def carried_by(member: str, role: str, shares: Iterable[int], members: Collection[str]) -> frozenset[int]:
    """The shares of a role that a member should carry. members : all living members of that role, itself among them"""
    return frozenset(share for share in shares if carrier_of(f"{role}:{share}", members) == member)


def _weight(key: str, member: str) -> bytes:
    return blake2b(f"{key}\0{member}".encode(), digest_size=8).digest()
