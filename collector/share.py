"""Which sites belong to a process where several share the work."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import blake2b
from typing import TypeVar

from forecaster.domain.errors import UsageError
from forecaster.texts.catalogue import Said

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True)
class Share:
    """One of `count` equal shares of the sites, `number` counting from 1.

    A site belongs to the share that a hash of its id names: the same on every machine, in every release.
    """

    number: int
    count: int

    def owns(self, site: str) -> bool:
        """Whether a site belongs to this share."""
        return share_of(site, self.count) == self.number

    def of(self, sites: Mapping[str, Value]) -> dict[str, Value]:
        """The part of a mapping by site id that belongs to this share."""
        return {site: value for site, value in sites.items() if self.owns(site)}

    @property
    def own(self) -> str:
        """A text that identifies this share; "" where it is the only one."""
        return "" if self.count == 1 else f"{self.number}-{self.count}"

    def named(self, name: str) -> str:
        """A name made unique to this share, such as that of its broker session; unchanged where it is the only one."""
        return name if self.count == 1 else f"{name}-{self.number}-{self.count}"


def share_of(site: str, count: int) -> int:
    """The number of a site's share, 1..count: the same on every machine, in every release."""
    return int.from_bytes(blake2b(site.encode(), digest_size=8).digest(), "big") % count + 1


WHOLE = Share(1, 1)
"""All sites."""


def parse_share(text: str) -> Share:
    """Read "2/5", the second of five. UsageError."""
    match = re.fullmatch(r"([1-9]\d{0,3})/([1-9]\d{0,3})", text.strip())
    if match is None or int(match[1]) > int(match[2]):
        raise UsageError(Said("usage.share_is_not_a_share", text=text), Said("usage.write_it_as_2_5_the"))
    return Share(int(match[1]), int(match[2]))
