"""sites/<id>.toml to a Site and back."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import tomli_w
from pydantic import ValidationError

from collector.config.errors import config_error, config_errors
from collector.config.named import names_marked
from collector.config.plates import check_pack_channels, named_packs
from collector.config.pump_packs import packs_of_pumps
from collector.config.pump_plates import check_pump_channels, named_first, named_pumps, of_the_first
from collector.config.raintable import rain_table, rain_table_toml
from collector.config.site_model import MOST_CONTACTS, ChannelSection, ContactSection, SiteModel, WeatherSection
from collector.config.subjects import Subjects, check_subject
from collector.config.toml_file import read_toml
from collector.decode.units import conversion, hint
from forecaster.domain.errors import ConfigError
from forecaster.domain.quantities import RUN_SOURCES, SPECS, STATES
from forecaster.domain.site import (
    AlarmLimits,
    Away,
    Channel,
    Contact,
    Load,
    NamedPack,
    NamedPump,
    Pack,
    PayloadFormat,
    Pit,
    Pump,
    Site,
    WeatherService,
)
from forecaster.pack.bank import taken_together
from forecaster.texts.catalogue import Said


def load_site(path: Path, *, measured: bool = True, lenient: bool = False) -> Site:
    """A site file as a Site.

    measured : bool — ask for a channel that pump runs can be told from; False for sizing before anything is measured
    Errors: ConfigError with file, key, problem and fix.
    """
    return site_from(read_toml(path), str(path), measured=measured, lenient=lenient)


def contacts_set_aside(content: dict[str, Any], file: str) -> tuple[dict[str, Any], tuple[str, ...]]:
    """The content without those contacts that cannot be used, and a line on each: one must not silence the others."""
    given = content.get("contacts")
    if not isinstance(given, list) or len(given) > MOST_CONTACTS:
        return content, ()
    kept: list[Any] = []
    lines: list[str] = []
    for place, contact in enumerate(given):
        try:
            model = ContactSection.model_validate(contact)
        except ValidationError as error:
            fault = config_error(error, ContactSection, file)
            lines.append(str(ConfigError(file, f"contacts[{place}].{fault.key}".rstrip("."), fault.problem, fault.fix)))
            continue
        if any(model.name == other["name"] for other in kept):
            twice = ConfigError(
                file,
                f"contacts[{place}].name",
                Said("config.is_there_twice", model=model.name),
                Said("config.give_each_its_own"),
            )
            lines.append(str(twice))
            continue
        kept.append(contact)
    return {**content, "contacts": kept}, tuple(lines)


def site_from(content: dict[str, Any], file: str, *, measured: bool = True, lenient: bool = False) -> Site:
    """A Site from the parsed content of a site file; `file` is the name given in errors.

    lenient : bool — a contact that cannot be used is set aside and named in the site, instead of an error
    """
    content, unread = names_marked(content, file) if lenient else (content, ())
    content, set_aside = contacts_set_aside(content, file) if lenient else (content, ())
    try:
        model = SiteModel.model_validate(content)
    except ValidationError as error:
        raise config_error(error, SiteModel, file) from error
    load_names = _unique([load.name for load in model.loads], "loads", file)
    _unique([contact.name for contact in model.contacts], "contacts", file)
    pumps = named_pumps(model.pumps, model.pit.freeboard_m, file)
    packs = _packs(model, pumps, load_names, file)
    subjects = Subjects(load_names, [named.id for named in packs], [named.id for named in pumps])
    channels = tuple(
        _channel(section, f"channels[{place}]", subjects, file) for place, section in enumerate(model.channels)
    )
    if measured:
        check_pack_channels(packs, channels, file)
        check_pump_channels(pumps, channels, file)
    channels = of_the_first(pumps, channels)
    if measured and not any(channel.quantity in RUN_SOURCES for channel in channels):
        names = ", ".join(quantity.value for quantity in RUN_SOURCES)
        raise ConfigError(
            file, "channels", Said("config.no_channel_tells_when_the_pump"), Said("config.add_one_of", names=names)
        )
    away, unknown = _away(model, file)
    if unknown and not lenient:
        raise unknown[0]
    pit, alarms = model.pit, model.alarms
    area = pit.area_m2 if pit.diameter_m is None else math.pi * pit.diameter_m**2 / 4.0
    return Site(
        id=model.id,
        name=model.name,
        timezone=model.timezone,
        units=model.units,
        latitude=model.latitude,
        longitude=model.longitude,
        pump=pumps[0].pump if model.pump is None else model.pump.plate(),
        pit=Pit(area_m2=area, drawdown_m=pit.drawdown_m, freeboard_m=pit.freeboard_m),
        pack=taken_together(packs) if model.pack is None else Pack(**model.pack.model_dump()),
        loads=tuple(Load(**load.model_dump()) for load in model.loads),
        channels=channels,
        alarms=AlarmLimits(alarms.low_reserve_h, alarms.critical_reserve_h, dict(alarms.limits), frozenset(alarms.off)),
        contacts=tuple(Contact(**(c.model_dump() | {"quiet_hours": _quiet(c.quiet_hours)})) for c in model.contacts),
        weather=_weather(model.weather, file),
        rain_table=rain_table(model.rain_table, file),
        language=model.language,
        set_aside=(*unread, *set_aside, *map(str, unknown)),
        groups=tuple(model.groups),
        away=away,
        paused_until=None if model.pause is None else model.pause.until,
        packs=packs,
        arrangement=model.pack_arrangement,
        pumps=pumps,
    )


def site_faults(content: dict[str, Any], file: str) -> list[ConfigError]:
    """Everything that is wrong with the content of a site file, at once; empty where it is a site."""
    try:
        model = SiteModel.model_validate(content)
    except ValidationError as error:
        return config_errors(error, SiteModel, file)
    names = [load.name for load in model.loads]
    found: list[ConfigError] = []

    def tried(check: Callable[[], object]) -> None:
        try:
            check()
        except ConfigError as error:
            found.append(error)

    tried(lambda: _unique(names, "loads", file))
    tried(lambda: _unique([contact.name for contact in model.contacts], "contacts", file))
    tried(lambda: named_pumps(model.pumps, model.pit.freeboard_m, file))
    tried(lambda: _packs(model, named_pumps(model.pumps, None, file), names, file))
    subjects = Subjects(names, [one.id for one in model.packs], [one.id for one in model.pumps])
    tried(lambda: _weather(model.weather, file))
    tried(lambda: rain_table(model.rain_table, file))
    found += _away(model, file)[1]
    for place, section in enumerate(model.channels):
        tried(partial(_channel, section, f"channels[{place}]", subjects, file))
    if not found:
        tried(lambda: site_from(content, file))
    return found


def _packs(model: SiteModel, pumps: Sequence[NamedPump], loads: Sequence[str], file: str) -> tuple[NamedPack, ...]:
    """Several packs by name, each with what hangs on it."""
    arrangement = model.pack_arrangement
    return packs_of_pumps(named_packs(model.packs, arrangement, file), arrangement, pumps, loads, file)


def _quiet(text: str | None) -> tuple[str, str] | None:
    if text is None:
        return None
    start, _, end = text.partition("-")
    return (start, end)


def _unique(names: list[str], section: str, file: str) -> list[str]:
    for place, name in enumerate(names):
        if name in names[:place]:
            raise ConfigError(
                file,
                f"{section}[{place}].name",
                Said("config.is_there_twice_2", name=name),
                Said("config.give_each_its_own_name"),
            )
    return names


def _away(model: SiteModel, file: str) -> tuple[Away | None, list[ConfigError]]:
    """Who looks after the house and when, and what is wrong with the names; those that are known count."""
    section = model.away
    if section is None:
        return None, []
    names = [contact.name for contact in model.contacts]
    faults = []
    for place, name in enumerate(section.look_after):
        if name not in names:
            known = Said("config.name_one_of", names=", ".join(names)) if names else Said("config.describe_them_first")
            problem = Said("config.there_is_no_contact", name=name)
            faults.append(ConfigError(file, f"away.look_after[{place}]", problem, known))
    kept = tuple(name for name in section.look_after if name in names)
    return Away(section.first, section.last, kept), faults


def _weather(section: WeatherSection | None, file: str) -> WeatherService | None:
    if section is None:
        return None
    if conversion(section.unit, "mm") is None:
        raise ConfigError(
            file, "weather.unit", Said("config.does_not_convert_to_mm", unit=section.unit), hint(section.unit, "mm")
        )
    return WeatherService(**section.model_dump())


def _channel(section: ChannelSection, key: str, known: Subjects, file: str) -> Channel:
    quantity = section.quantity
    called = Said("config.channel_from", quantity=quantity.value, topic=section.topic)
    _check_unit(section, called, key, file)
    check_subject(section, called, key, known, file)
    if section.decimal == "," and quantity in STATES:
        raise ConfigError(
            file, f"{key}.decimal", Said("config.is_yes_or_no_not_a", called=called), Said("config.remove_decimal")
        )
    true_words, false_words = _words(section, called, key, file)
    return Channel(
        quantity=quantity,
        topic=section.topic,
        value=section.value,
        unit=section.unit,
        time=section.time,
        format=section.format,
        true_words=true_words,
        false_words=false_words,
        max_silence_s=section.max_silence_s,
        of=section.of,
        pattern=section.pattern,
        column=section.column,
        separator=section.separator,
        decimal=section.decimal,
        naive_time=section.naive_time,
    )


def _check_unit(section: ChannelSection, called: str, key: str, file: str) -> None:
    stored = SPECS[section.quantity].unit
    if section.unit is None:
        return
    if section.quantity in STATES:
        raise ConfigError(
            file, f"{key}.unit", Said("config.is_yes_or_no_and_has", called=called), Said("config.remove_unit")
        )
    if conversion(section.unit, stored) is None:
        problem = Said("config.unit_does_not_convert_to", called=called, unit=section.unit, stored=stored)
        raise ConfigError(file, f"{key}.unit", problem, hint(section.unit, stored))


Words = tuple[str | int | float | bool, ...] | None


def _words(section: ChannelSection, called: str, key: str, file: str) -> tuple[Words, Words]:
    true_words = None if section.true_words is None else tuple(section.true_words)
    false_words = None if section.false_words is None else tuple(section.false_words)
    given = {"true": true_words, "false": false_words}
    for name, words in given.items():
        if words is not None and section.quantity not in STATES:
            raise ConfigError(
                file,
                f"{key}.{name}",
                Said("config.is_a_number_not_yes_or", called=called),
                Said("config.remove_the_word_list"),
            )
    both = {word_token(w) for w in true_words or ()} & {word_token(w) for w in false_words or ()}
    if both:
        word = sorted(both)[0]
        raise ConfigError(
            file,
            f"{key}.false",
            Said("config.means_both_yes_and_no", called=called, word=word),
            Said("config.keep_it_in_one_list"),
        )
    return true_words, false_words


def word_token(word: str | float | bool) -> str:
    """A yes/no word in the form in which words are compared: without case; JSON true equals the text true."""
    if isinstance(word, bool):
        return "true" if word else "false"
    if isinstance(word, str):
        return word.strip().casefold()
    return str(int(word)) if float(word).is_integer() else repr(float(word))


def site_toml(site: Site) -> str:
    """A Site as the text of a site file; loading it gives an equal Site."""
    content: dict[str, Any] = _filled(
        {
            "id": site.id,
            "name": site.name,
            "timezone": site.timezone,
            "units": site.units.value,
            "latitude": site.latitude,
            "longitude": site.longitude,
            "language": site.language,
            "groups": list(site.groups) or None,
            "pack_arrangement": None if site.arrangement is None else site.arrangement.value,
        }
    )
    content |= {"pumps": [_pump_toml(one) for one in site.pumps]} if site.pumps else {"pump": _plate_toml(site.pump)}
    content["pit"] = _fields(site.pit)
    content |= {"packs": [_pack_toml(one) for one in site.packs]} if site.packs else {"pack": _fields(site.pack)}
    content["loads"] = [_fields(load) for load in site.loads]
    content["channels"] = [_channel_toml(channel) for channel in named_first(site.pumps, site.channels)]
    content["alarms"] = _alarms_toml(site.alarms)
    content["contacts"] = [
        _fields(c) | _filled({"quiet_hours": None if c.quiet_hours is None else "-".join(c.quiet_hours)})
        for c in site.contacts
    ]
    content["weather"] = {} if site.weather is None else _fields(site.weather)
    content["rain_table"] = {} if site.rain_table is None else rain_table_toml(site.rain_table)
    if site.away is not None:
        named = {"look_after": list(site.away.look_after)} if site.away.look_after else {}
        content["away"] = {"from": site.away.first, "until": site.away.last, **named}
    content["pause"] = _filled({"until": site.paused_until})
    always = ("pump", "pack")
    return tomli_w.dumps({key: value for key, value in content.items() if key in always or value not in ({}, [])})


def _filled(values: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in values.items() if value is not None}


def _fields(thing: Any) -> dict[str, Any]:
    """The fields of a domain dataclass that are set, without tuples, which the caller handles."""
    values = {name: getattr(thing, name) for name in thing.__dataclass_fields__}
    return {
        name: getattr(value, "value", value)
        for name, value in values.items()
        if value is not None and not isinstance(value, tuple)
    }


def _plate_toml(pump: Pump) -> dict[str, Any]:
    return _fields(pump) | _filled({"rated_current_a": _current_toml(pump.rated_current_a)})


def _pack_toml(named: NamedPack) -> dict[str, Any]:
    own = _filled({"id": named.id, "pump": named.pump, "loads": list(named.loads) or None})
    return own | _fields(named.pack)


def _pump_toml(named: NamedPump) -> dict[str, Any]:
    own = _fields(named)
    del own["pump"]
    return {key: value for key, value in own.items() if value != 0.0} | _plate_toml(named.pump)


def _current_toml(value: tuple[float, float] | None) -> float | list[float] | None:
    if value is None:
        return None
    return value[0] if value[0] == value[1] else list(value)


def _channel_toml(channel: Channel) -> dict[str, Any]:
    fields = _fields(channel)
    if not channel.of:
        del fields["of"]
    if channel.format is PayloadFormat.AUTO:
        del fields["format"]
    if channel.decimal == ".":
        del fields["decimal"]
    for key, words in (("true", channel.true_words), ("false", channel.false_words)):
        if words is not None:
            fields[key] = list(words)
    return fields


def _alarms_toml(limits: AlarmLimits) -> dict[str, Any]:
    fields = _filled({"low_reserve_h": limits.low_reserve_h, "critical_reserve_h": limits.critical_reserve_h})
    if limits.off:
        fields["off"] = sorted(kind.value for kind in limits.off)
    if limits.others:
        fields["limits"] = {kind.value: value for kind, value in sorted(limits.others.items())}
    return fields
