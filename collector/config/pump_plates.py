"""The nameplates of pumps in a site file: one as [pump], two in one pit as [[pumps]]."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, Self

from pydantic import Field, field_validator, model_validator

from collector.config.plates import PlateSection
from collector.config.refused import Refused
from collector.config.sections import member_of
from forecaster.domain.errors import ConfigError
from forecaster.domain.quantities import PUMP_QUANTITIES, RUN_SOURCES
from forecaster.domain.site import Channel, Driven, Motor, NamedPump, Pump
from forecaster.texts.catalogue import Said

LOCKED_ROTOR_CODES = "ABCDEFGHJKLMNPRSTUV"
"""NEMA MG 1 code letters; I, O and Q are not used."""


class PumpSection(PlateSection):
    """[pump]"""

    rated_voltage_v: float | None = Field(default=None, gt=0, le=1000, examples=["115"])
    rated_current_a: float | list[float] | None = Field(default=None, examples=["5.2"])
    rated_power_w: float | None = Field(default=None, gt=0, le=20_000, examples=["480"])
    power_factor: float | None = Field(default=None, gt=0, le=1, examples=["0.8"])
    horsepower: float | None = Field(default=None, gt=0, le=25, examples=["0.33"])
    locked_rotor_code: str | None = Field(default=None, examples=['"L"'])
    locked_rotor_current_a: float | None = Field(default=None, gt=0, le=2000, examples=["29.0"])
    static_head_m: float | None = Field(default=None, ge=0, le=200, examples=["2.6"])
    maximum_head_m: float | None = Field(default=None, gt=0, le=200, examples=["6.5"])
    rated_flow_l_per_min: float | None = Field(default=None, gt=0, le=10_000, examples=["120"])
    rated_frequency_hz: float | None = Field(default=None, ge=40, le=70, examples=["60"])
    motor: Annotated[Motor | None, member_of(Motor)] = Field(default=None, examples=['"capacitor"'])

    @field_validator("rated_current_a")
    @classmethod
    def _current(cls, value: float | list[float] | None) -> float | list[float] | None:
        """[A]"""
        bounds = value if isinstance(value, list) else [] if value is None else [value, value]
        if value is not None and (len(bounds) != 2 or not 0 < bounds[0] <= bounds[1] <= 500):
            raise Refused(Said("config.is_not_a_current", value=value), Said("config.write_5_2_or_the_least"))
        return value

    @field_validator("locked_rotor_code")
    @classmethod
    def _code(cls, value: str | None) -> str | None:
        if value is not None and (len(value) != 1 or value not in LOCKED_ROTOR_CODES):
            raise Refused(
                Said("config.is_not_a_code_letter", value=value),
                Said("config.it_is_one_of", names=" ".join(LOCKED_ROTOR_CODES)),
            )
        return value

    @model_validator(mode="after")
    def _enough(self) -> Self:
        self._told()
        static, greatest = self.static_head_m, self.maximum_head_m
        if static is not None and greatest is not None and static >= greatest:
            raise Refused(Said("config.static_head_m_is_not_below"), Said("config.the_pump_would_lift_no_water"))
        return self

    def _told(self) -> None:
        """Refused where the nameplate does not tell the power."""
        if self.rated_voltage_v is None:
            raise Refused(Said("config.the_voltage_is_missing"), Said("config.copy_it_from_the_nameplate_for"))
        if self.rated_current_a is None and self.rated_power_w is None and self.horsepower is None:
            raise Refused(Said("config.current_power_and_horsepower_are_all"), Said("config.copy_one_of_them_from_the"))

    def plate(self) -> Pump:
        """The nameplate."""
        values = {name: getattr(self, name) for name in Pump.__dataclass_fields__}
        current = self.rated_current_a
        if current is not None:
            values["rated_current_a"] = tuple(current) if isinstance(current, list) else (current, current)
        return Pump(**values)


ELECTRICAL = (
    "rated_voltage_v", "rated_current_a", "rated_power_w", "power_factor", "horsepower", "locked_rotor_code",
    "locked_rotor_current_a", "rated_frequency_hz", "motor",
)  # fmt: skip
"""What a pump on water pressure has not."""


class PumpsSection(PumpSection):
    """[[pumps]]"""

    id: str = Field(pattern=r"^[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?$", examples=['"main"'])
    driven_by: Annotated[Driven, member_of(Driven)] = Field(default=Driven.PACK, examples=['"pack"'])
    starts_above_m: float = Field(default=0.0, ge=0, le=5, examples=["0.12"])
    supply_l_per_l: float | None = Field(default=None, gt=0, le=20, examples=["1"])

    def _told(self) -> None:
        """Refused where the plate does not tell the power, or on water pressure does tell one, or not the flow."""
        if self.driven_by is Driven.PACK:
            super()._told()
            if self.supply_l_per_l is not None:
                raise Refused(
                    Said("config.water_of_a_pump_on_the_pack"), Said("config.remove_it_or_say_water_pressure")
                )
            return
        given = [key for key in ELECTRICAL if getattr(self, key) is not None]
        if given:
            raise Refused(Said("config.water_pressure_has_no", key=given[0]), Said("config.remove_key", key=given[0]))
        if self.rated_flow_l_per_min is None:
            raise Refused(Said("config.water_pressure_without_flow"), Said("config.copy_the_flow_at_the_head"))


def two_pumps(pumps: list[PumpsSection]) -> list[PumpsSection]:
    """The pumps; Refused where they are not two, or not the first electric one with a second one above it."""
    if len(pumps) == 1:
        raise Refused(Said("config.pumps_lists_one"), Said("config.write_it_as_pump"))
    if len(pumps) > 2:
        raise Refused(Said("config.more_than_two_pumps"), Said("config.describe_the_first_two_pumps"))
    if not pumps:
        return pumps
    first, second = pumps
    if first.id == second.id:
        raise Refused(Said("config.is_there_twice_2", name=first.id), Said("config.give_each_its_own_name"))
    if first.driven_by is not Driven.PACK or first.starts_above_m:
        raise Refused(Said("config.first_pump_is_not_first"), Said("config.list_the_lowest_electric_first"))
    if not second.starts_above_m:
        raise Refused(Said("config.second_pump_starts_where"), Said("config.give_starts_above_m"))
    return pumps


def named_pumps(sections: Sequence[PumpsSection], freeboard_m: float | None, file: str) -> tuple[NamedPump, ...]:
    """The pumps by name. ConfigError where the floor is wet before the second one starts."""
    pumps = tuple(
        NamedPump(one.id, one.plate(), one.driven_by, one.starts_above_m, one.supply_l_per_l) for one in sections
    )
    if pumps and freeboard_m is not None and pumps[1].starts_above_m >= freeboard_m:
        raise ConfigError(
            file,
            "pumps[1].starts_above_m",
            Said("config.second_pump_is_too_high", above_m=pumps[1].starts_above_m, freeboard_m=freeboard_m),
            Said("config.measure_both_from_the_first_float"),
        )
    return pumps


def check_pump_channels(pumps: Sequence[NamedPump], channels: Sequence[Channel], file: str) -> None:
    """ConfigError where one of the pumps is not measured."""
    for named in pumps:
        if not any(channel.of == named.id for channel in channels if channel.quantity in PUMP_QUANTITIES):
            names = ", ".join(quantity for quantity in RUN_SOURCES if quantity in PUMP_QUANTITIES)
            raise ConfigError(
                file,
                "channels",
                Said("config.pump_not_measured", pump=named.id),
                Said("config.add_a_channel_of_pump", names=names, pump=named.id),
            )


def of_the_first(pumps: Sequence[NamedPump], channels: Sequence[Channel]) -> tuple[Channel, ...]:
    """The channels, with nothing in `of` for those of the first of two pumps, which is the site's usual one."""
    first = pumps[0].id if pumps else None
    return tuple(
        replace(one, of="") if one.of == first and one.quantity in PUMP_QUANTITIES else one for one in channels
    )


def named_first(pumps: Sequence[NamedPump], channels: Sequence[Channel]) -> tuple[Channel, ...]:
    """The channels as a site file says them: those of the first of two pumps with its name."""
    if not pumps:
        return tuple(channels)
    first = pumps[0].id
    return tuple(replace(one, of=first) if not one.of and one.quantity in PUMP_QUANTITIES else one for one in channels)
