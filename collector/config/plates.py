"""The plates of packs in a site file: one as [pack], several as [[packs]] with the way they carry."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any, Self, TypeVar

from pydantic import Field, model_validator

from collector.config.refused import Refused
from collector.config.sections import Section, member_of
from collector.config.written import as_number
from forecaster.domain.errors import ConfigError
from forecaster.domain.quantities import PACK_POWERS, Quantity
from forecaster.domain.site import Arrangement, Channel, Chemistry, NamedPack, Pack, Wave
from forecaster.texts.catalogue import Said

FOR_ALL_OR_NONE = (Quantity.PACK_CHARGE, *PACK_POWERS)
"""Quantities of which a sum is made: known of some packs only, it would be wrong. Without its charge nobody can tell
which pack is empty."""


class PlateSection(Section):
    """A strict section that also reads numbers as people write them: horsepower = "1/3", diameter_m = '18"'."""

    @model_validator(mode="before")
    @classmethod
    def _written(cls, data: Any) -> Any:
        return {key: as_number(key, value) for key, value in data.items()} if isinstance(data, dict) else data


class PackSection(PlateSection):
    """[pack]"""

    capacity_wh: float = Field(gt=0, le=1e7, examples=["1024"])
    continuous_w: float | None = Field(default=None, gt=0, le=1e6, examples=["900"])
    surge_w: float | None = Field(default=None, gt=0, le=1e6, examples=["1800"])
    continuous_va: float | None = Field(default=None, gt=0, le=1e6, examples=["1000"])
    surge_s: float | None = Field(default=None, gt=0, le=3600, examples=["2"])
    output_voltage_v: float | None = Field(default=None, gt=0, le=1000, examples=["120"])
    inverter_efficiency: float | None = Field(default=None, gt=0.2, le=1, examples=["0.88"])
    idle_w: float | None = Field(default=None, ge=0, le=1000, examples=["9"])
    reserve_percent: float = Field(default=10.0, ge=0, lt=100, examples=["10"])
    extra_capacity_wh: float = Field(default=0.0, ge=0, le=1e7, examples=["0"])
    charge_w: float | None = Field(default=None, gt=0, le=1e6, examples=["500"])
    chemistry: Annotated[Chemistry, member_of(Chemistry)] = Field(default=Chemistry.LITHIUM, examples=['"lithium"'])
    price: float | None = Field(default=None, ge=0, examples=["799"])
    output_frequency_hz: float | None = Field(default=None, ge=40, le=70, examples=["60"])
    output_wave: Annotated[Wave | None, member_of(Wave)] = Field(default=None, examples=['"sine"'])

    @model_validator(mode="after")
    def _surge(self) -> Self:
        if self.continuous_w is not None and self.surge_w is not None and self.surge_w < self.continuous_w:
            raise Refused(Said("config.surge_w_is_below_continuous_w"), Said("config.look_at_the_nameplate_again"))
        return self


class PacksSection(PackSection):
    """[[packs]]"""

    id: str = Field(pattern=r"^[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?$", examples=['"left"'])
    pump: str | None = Field(default=None, max_length=64, examples=['"main"'])
    loads: list[str] = Field(default=[], max_length=200, examples=['["router"]'])

    def named(self) -> NamedPack:
        """The pack by its name."""
        values = self.model_dump()
        name, pump, loads = values.pop("id"), values.pop("pump"), tuple(values.pop("loads"))
        return NamedPack(name, Pack(**values), pump, loads)


ALIKE = ("chemistry", "output_voltage_v", "output_frequency_hz", "output_wave")
"""What packs must have in common to be forecast as one."""
ALIKE_APART = ALIKE[:1]
"""The same of packs that each feed a pump of their own: one belief still stands for all their cells."""

Section_ = TypeVar("Section_", bound=PlateSection | None)


def one_or_several(one: Section_, several: Sequence[PlateSection] | None, section: str) -> Section_:
    """The single one; Refused where there is neither one nor several, or both. several None: not readable, and told."""
    if one is None and several is not None and not several:
        raise Refused(Said("config.it_is_missing"), Said("config.add_a_section", section=section))
    if one is not None and several:
        raise Refused(Said("config.both_one_and_several", section=section), Said("config.keep_one_of_them"))
    return one


def several(packs: list[PacksSection]) -> list[PacksSection]:
    """The packs; Refused where only one is listed."""
    if len(packs) == 1:
        raise Refused(Said("config.packs_lists_one"), Said("config.write_it_as_pack"))
    return packs


def arranged(arrangement: Arrangement | None, packs: Sequence[PacksSection] | None) -> Arrangement | None:
    """How several packs carry; Refused where it is not said, or said of a single one."""
    names = ", ".join(Arrangement)
    if packs and arrangement is None:
        raise Refused(Said("config.how_packs_carry_is_missing"), Said("config.packs_write_one_of", names=names))
    if arrangement is not None and packs is not None and not packs:
        raise Refused(Said("config.there_is_one_pack"), Said("config.remove_it_or_list_packs"))
    return arrangement


def named_packs(sections: Sequence[PacksSection], arrangement: Arrangement | None, file: str) -> tuple[NamedPack, ...]:
    """The packs by name. ConfigError where two have one name, or differ in what is asked of all together."""
    found: list[NamedPack] = []
    for place, section in enumerate(sections):
        named = section.named()
        if any(named.id == one.id for one in found):
            raise ConfigError(
                file,
                f"packs[{place}].id",
                Said("config.is_there_twice_2", name=named.id),
                Said("config.give_each_its_own_name"),
            )
        found.append(named)
    for key in ALIKE_APART if arrangement is Arrangement.ONE_A_PUMP else ALIKE:
        for place, named in enumerate(found):
            if getattr(named.pack, key) != getattr(found[0].pack, key):
                raise ConfigError(
                    file,
                    f"packs[{place}].{key}",
                    Said("config.packs_differ", other=found[0].id),
                    Said("config.packs_alike"),
                )
    return tuple(found)


def check_pack_channels(packs: Sequence[NamedPack], channels: Sequence[Channel], file: str) -> None:
    """ConfigError where the charge is not measured of each pack, or a power of some only."""
    for quantity in FOR_ALL_OR_NONE:
        of = {channel.of for channel in channels if channel.quantity is quantity}
        lacking = [named.id for named in packs if named.id not in of]
        if lacking and (of or quantity is Quantity.PACK_CHARGE):
            raise ConfigError(
                file,
                "channels",
                Said("config.not_of_every_pack", quantity=quantity.value, lacking=", ".join(lacking)),
                Said("config.add_channel_of_pack", of=lacking[0]),
            )
