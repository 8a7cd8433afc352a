"""Which pump and which loads hang on each of several packs, where each of two pumps has one of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from collector.config.errors import nearest
from forecaster.domain.errors import ConfigError
from forecaster.domain.site import Arrangement, Driven, NamedPack, NamedPump
from forecaster.texts.catalogue import Said


def packs_of_pumps(
    packs: Sequence[NamedPack],
    arrangement: Arrangement | None,
    pumps: Sequence[NamedPump],
    loads: Sequence[str],
    file: str,
) -> tuple[NamedPack, ...]:
    """The packs; where each pump has its own, in the order of the pumps, each with the name of its pump.

    A pack that names no pump gets one that no other names, in the order of both lists. loads : names of all loads
    Errors: ConfigError where pumps and packs do not pair, or a name is not there or there twice.
    """
    if arrangement is not Arrangement.ONE_A_PUMP:
        _nothing_hangs(packs, file)
        return tuple(packs)
    _check_counts(packs, pumps, file)
    _check_pumps(packs, [pump.id for pump in pumps], file)
    _check_loads(packs, loads, file)
    free = [pump.id for pump in pumps if all(one.pump != pump.id for one in packs)]
    paired = {one.pump or free.pop(0): one for one in packs}
    return tuple(replace(paired[pump.id], pump=pump.id) for pump in pumps)


def _nothing_hangs(packs: Sequence[NamedPack], file: str) -> None:
    """ConfigError where a pack that feeds all pumps and loads names some of them."""
    for place, one in enumerate(packs):
        for key, given in (("pump", one.pump is not None), ("loads", bool(one.loads))):
            if given:
                raise ConfigError(
                    file,
                    f"packs[{place}].{key}",
                    Said("config.packs_carry_all", key=key),
                    Said("config.remove_it_or_one_a_pump", key=key),
                )


def _check_counts(packs: Sequence[NamedPack], pumps: Sequence[NamedPump], file: str) -> None:
    """ConfigError where there are not as many packs as pumps that hang on one."""
    problem = fix = None
    if not pumps:
        problem, fix = Said("config.one_a_pump_of_one_pump"), Said("config.list_both_pumps")
    elif by_water := [pump.id for pump in pumps if pump.driven_by is not Driven.PACK]:
        problem = Said("config.pump_needs_no_pack", pump=by_water[0])
        fix = Said("config.write_parallel_or_in_turn")
    elif len(packs) != len(pumps):
        problem = Said("config.not_a_pack_a_pump", packs=len(packs), pumps=len(pumps))
        fix = Said("config.list_a_pack_for_each_pump")
    if problem is not None and fix is not None:
        raise ConfigError(file, "pack_arrangement", problem, fix)


def _check_pumps(packs: Sequence[NamedPack], names: Sequence[str], file: str) -> None:
    """ConfigError where a pack names a pump that is not there, or that another one names."""
    for place, one in enumerate(packs):
        key = f"packs[{place}].pump"
        if one.pump is None:
            continue
        if one.pump not in names:
            raise ConfigError(file, key, Said("config.there_is_no_pump", of=one.pump), _one_of(one.pump, names))
        if any(one.pump == other.pump for other in packs[:place]):
            problem = Said("config.pump_has_a_pack", pump=one.pump)
            raise ConfigError(file, key, problem, Said("config.give_each_pump_its_own_pack"))


def _check_loads(packs: Sequence[NamedPack], names: Sequence[str], file: str) -> None:
    """ConfigError where a pack names a load that is not there, or that a pack has named before."""
    hung: list[str] = []
    for place, one in enumerate(packs):
        for name in one.loads:
            key = f"packs[{place}].loads"
            if name not in names:
                fix = _one_of(name, names) if names else Said("config.describe_the_load_in_loads_first")
                raise ConfigError(file, key, Said("config.there_is_no_load", of=name), fix)
            if name in hung:
                raise ConfigError(file, key, Said("config.load_hangs_twice", name=name), Said("config.name_it_once"))
            hung.append(name)


def _one_of(name: str, names: Sequence[str]) -> Said:
    close = nearest(name, names)
    return Said("config.did_you_mean", close=close) if close else Said("config.name_one_of", names=", ".join(names))
