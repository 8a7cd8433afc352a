"""Members that share the work of an installation, and the leases under which they carry its shares."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Lease:
    """A share in a member's hand.

    role : str — "collect" or "forecast"
    share : int — of the sites, from 1; 0 is what an installation does once: deliveries, letters, studies
    number : int — the fencing number, which rises with every change of hands
    """

    role: str
    share: int
    number: int

    @property
    def name(self) -> str:
        """Names the share, whoever has it."""
        return f"{self.role}-{self.share}"


@dataclass(frozen=True, slots=True)
class MemberTold:
    """What a member tells of itself.

    host : str; process : int — its process id there
    sites : int — how many sites its folder describes; described : str — a digest of their ids
    """

    host: str
    process: int
    sites: int
    described: str


@dataclass(frozen=True, slots=True)
class MemberSeen:
    """A member as the ledger sees it.

    joined_ms : int — when this process of it joined, by the ledger's clock [UTC milliseconds]
    silent_s : float — since its last heartbeat [s]; living : bool — whether that is less than a lease lasts
    shares : tuple[int, ...] — those whose leases it has
    """

    role: str
    name: str
    told: MemberTold
    joined_ms: int
    silent_s: float
    living: bool
    shares: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class MemberBeat:
    """What a heartbeat tells the member: who lives, which leases are its own, which shares it could take if it should.

    taken : frozenset[int] — shares whose leases others have, and that have not run out
    others_last_s : float — until the first of those leases runs out, unless it is prolonged [s]; inf where none is
    """

    living: tuple[str, ...]
    own: tuple[Lease, ...]
    taken: frozenset[int]
    others_last_s: float


class Holder(Protocol):
    """Carries the shares that a member has leases of. Its methods return at once; the work begins and ends later."""

    def take(self, lease: Lease) -> None:
        """Carry a share from now on."""
        ...

    def let_go(self, share: int, *, lost: bool) -> None:
        """End the work on a share, with all of it written.

        lost : the lease is another's already: nothing may be written any more
        """
        ...

    def working(self) -> frozenset[int]:
        """The shares that it carries, is about to, or has not yet let go."""
        ...


def always() -> bool:
    """Whether the work is still one's own, where it never changes hands."""
    return True
