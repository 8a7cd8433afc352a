"""The parts of a site file that beliefs depend on, saved with them, so that a change resets what depends on it."""

from __future__ import annotations

from typing import Self

import msgspec

from forecaster.domain.site import Site


class Fingerprint(msgspec.Struct, frozen=True):
    """Parts of a site file as texts, each compared as a whole.

    pack : what it is: capacity, expansions, chemistry
    losses, idle : the starting beliefs about its inverter
    """

    pack: str
    losses: str
    idle: str
    pump: str
    pit: str
    loads: str
    second_pump: str = ""

    @classmethod
    def of(cls, site: Site) -> Self:
        """The fingerprint of a site file."""
        pack = site.pack
        plates = [(one.id, one.pack.nominal_wh, site.arrangement) for one in site.packs]
        return cls(
            pack=repr((pack.nominal_wh, pack.chemistry.value, *plates)),
            losses=repr(pack.inverter_efficiency),
            idle=repr(pack.idle_w),
            pump=repr(site.pump),
            pit=repr((site.pit.area_m2, site.pit.drawdown_m)),
            second_pump="" if site.second_pump is None else repr(site.second_pump.pump),
            loads=repr([(load.name, load.watts, load.mean_w) for load in site.loads]),
        )

    def changed(self, now: Fingerprint) -> tuple[str, ...]:
        """The names of the parts that differ."""
        return tuple(name for name in self.__struct_fields__ if getattr(self, name) != getattr(now, name))
