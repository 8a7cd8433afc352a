"""What a channel is of: a load, or one of several packs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from collector.config.errors import nearest
from collector.config.site_model import ChannelSection
from forecaster.domain.errors import ConfigError
from forecaster.domain.quantities import PACK_QUANTITIES, Quantity
from forecaster.texts.catalogue import Said


@dataclass(frozen=True, slots=True)
class Subjects:
    """The names that a channel's `of` may give: of loads, and of packs where there are several."""

    loads: Sequence[str]
    packs: Sequence[str]


def check_subject(section: ChannelSection, called: str, key: str, known: Subjects, file: str) -> None:
    """ConfigError where a channel's `of` names nothing that is there, is missing, or has no place."""
    of_pack = bool(known.packs) and section.quantity in PACK_QUANTITIES
    if section.quantity is not Quantity.LOAD_POWER and not of_pack:
        if section.of:
            raise ConfigError(
                file,
                f"{key}.of",
                Said("config.is_not_of_a_load", called=called),
                Said("config.remove_it_or_make_it_load"),
            )
        return
    names = known.packs if of_pack else known.loads
    if section.of in names:
        return
    kind = "pack" if of_pack else "load"
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
