"""What a channel is of: a load, one of several packs, or one of two pumps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from collector.config.errors import nearest
from collector.config.site_model import ChannelSection
from forecaster.domain.errors import ConfigError
from forecaster.domain.quantities import PACK_QUANTITIES, PUMP_QUANTITIES, Quantity
from forecaster.texts.catalogue import Said


@dataclass(frozen=True, slots=True)
class Subjects:
    """The names that a channel's `of` may give: of loads, and of packs and pumps where there are several."""

    loads: Sequence[str]
    packs: Sequence[str]
    pumps: Sequence[str] = ()

    def kind_of(self, quantity: Quantity) -> str:
        """What a channel of a quantity is of: "load", "pack" or "pump"; "" where it is of nothing in particular."""
        if self.packs and quantity in PACK_QUANTITIES:
            return "pack"
        if self.pumps and quantity in PUMP_QUANTITIES:
            return "pump"
        return "load" if quantity is Quantity.LOAD_POWER else ""


def check_subject(section: ChannelSection, called: str, key: str, known: Subjects, file: str) -> None:
    """ConfigError where a channel's `of` names nothing that is there, is missing, or has no place."""
    kind = known.kind_of(section.quantity)
    if not kind:
        if section.of:
            raise ConfigError(
                file,
                f"{key}.of",
                Said("config.is_not_of_a_load", called=called),
                Said("config.remove_it_or_make_it_load"),
            )
        return
    names = {"load": known.loads, "pack": known.packs, "pump": known.pumps}[kind]
    if section.of in names:
        return
    close = nearest(section.of, names)
    fix = (
        Said("config.name_one_of", names=", ".join(names)) if names else Said("config.describe_the_load_in_loads_first")
    )
    problem = (
        Said(f"config.does_not_say_of_which_{kind}", called=called)
        if not section.of
        else Said(f"config.there_is_no_{kind}", of=section.of)
    )
    raise ConfigError(file, f"{key}.of", problem, Said("config.did_you_mean", close=close) if close else fix)
