"""The shape of a site file: one pydantic model per section, strict, with an example for every key."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import regex
from pydantic import AfterValidator, Field, ValidationInfo, field_validator, model_validator

from collector.config.addresses import is_web_address
from collector.config.named import Name, NoName, readable
from collector.config.plates import PackSection, PacksSection, PlateSection, arranged, one_or_several, several
from collector.config.pump_plates import PumpSection, PumpsSection, two_pumps
from collector.config.raintable import RainTableSection
from collector.config.reach import host_of, mailbox_of
from collector.config.refused import Refused
from collector.config.sections import AwaySection, PauseSection, Section, member_of
from collector.config.webhook_template import checked
from collector.decode.jsonpath import compile_path
from collector.decode.topics import filter_problem
from forecaster.domain.alarms import AlarmKind, Priority
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Arrangement, PayloadFormat, Units, WeeklyLetter
from forecaster.texts.catalogue import Said, languages

WIDEST_PIT_M, DEEPEST_FALL_M = 5.0, 5.0
"""The largest plausible pit: greater figures are taken for inches, feet or centimetres. Own assumption."""


def _path(text: str) -> str:
    readable(text)
    try:
        compile_path(text)
    except ValueError as error:
        raise Refused(
            Said("config.is_not_a_jsonpath", text=text[:80], error=str(error)), Said("config.write_for_example_power")
        ) from error
    return text


def _filter(text: str) -> str:
    readable(text)
    problem = filter_problem(text)
    if problem:
        raise Refused(
            Said("config.is_not_a_topic_filter", text=text, problem=problem),
            Said("config.write_for_example_cellar_plug_state"),
        )
    return text


def _address(text: str) -> str:
    if not is_web_address(text):
        raise Refused(Said("config.is_not_a_web_address", text=text), Said("config.begin_it_with_https"))
    return text


def _language(text: str) -> str:
    if text not in languages():
        raise Refused(
            Said("config.is_not_a_language_there_are", text=text),
            Said("config.write_one_of", names=", ".join(languages())),
        )
    return text


def _webhook(text: str) -> str:
    try:
        host_of(text)
    except ValueError as error:
        raise Refused(
            Said("config.cannot_be_used", text=text, error=str(error)), Said("config.write_it_as_https_example_org")
        ) from error
    return text


def _mailbox(text: str) -> str:
    try:
        return mailbox_of(text)
    except ValueError as error:
        raise Refused(
            Said("config.is_not_a_mail_address", text=text, error=str(error)),
            Said("config.write_it_as_owner_example_org"),
        ) from error


def _pattern(text: str) -> str:
    try:
        groups = regex.compile(text).groups
    except regex.error as error:
        raise Refused(
            Said("config.is_not_a_regular_expression", text=text[:80], error=str(error)),
            Said("config.write_for_example_0_9_w"),
        ) from error
    except RecursionError as error:
        raise Refused(Said("config.it_is_nested_too_deeply"), Said("config.write_for_example_0_9_w")) from error
    if groups != 1:
        raise Refused(Said("config.has_groups", text=text, groups=groups), Said("config.put_the_value_in_the_one"))
    return text


Pattern_ = Annotated[str, AfterValidator(_pattern)]
Path_ = Annotated[str, AfterValidator(_path)]
Address = Annotated[str, AfterValidator(_address)]
Language = Annotated[str, AfterValidator(_language)]
Webhook = Annotated[str, AfterValidator(_webhook)]
Mailbox = Annotated[str, AfterValidator(_mailbox)]
Word = str | int | float | bool


class PitSection(PlateSection):
    """[pit]"""

    diameter_m: float | None = Field(default=None, gt=0, le=20, examples=["0.46"])
    area_m2: float | None = Field(default=None, gt=0, le=400, examples=["0.166"])
    drawdown_m: float | None = Field(default=None, gt=0, le=10, examples=["0.18"])
    freeboard_m: float | None = Field(default=None, ge=0, le=10, examples=["0.30"])

    @model_validator(mode="after")
    def _one_area(self) -> Self:
        if self.diameter_m is not None and self.area_m2 is not None:
            raise Refused(Said("config.both_diameter_m_and_area_m2"), Said("config.keep_one_of_them"))
        for key, value, most in (
            ("diameter_m", self.diameter_m, WIDEST_PIT_M),
            ("drawdown_m", self.drawdown_m, DEEPEST_FALL_M),
            ("freeboard_m", self.freeboard_m, DEEPEST_FALL_M),
        ):
            if value is not None and value > most:
                raise Refused(
                    Said("config.of_m_is_more_than_any", key=key, value=value),
                    Said("config.inches_are_m_cm_are_m", value=value, value_2=0.0254 * value, value_3=value / 100),
                )
        return self


class LoadSection(Section):
    """[[loads]]"""

    name: Name = Field(min_length=1, max_length=64, examples=['"router"'])
    watts: float = Field(ge=0, le=20_000, examples=["12"])
    runs_per_hour: float | None = Field(default=None, gt=0, le=3600, examples=["4"])
    run_s: float | None = Field(default=None, gt=0, le=86_400, examples=["600"])
    start_va: float | None = Field(default=None, gt=0, le=1e6, examples=["900"])
    essential: bool = Field(default=False, examples=["true"])

    @model_validator(mode="after")
    def _both_or_none(self) -> Self:
        if (self.runs_per_hour is None) != (self.run_s is None):
            raise Refused(Said("config.runs_per_hour_and_run_s"), Said("config.give_both_or_neither_for_a"))
        return self


class ChannelSection(Section):
    """[[channels]]"""

    quantity: Annotated[Quantity, member_of(Quantity)] = Field(examples=['"pump_power"'])
    topic: Annotated[str, AfterValidator(_filter)] = Field(examples=['"cellar/plug/state"'])
    value: str | None = Field(default=None, min_length=1, examples=['"$.power"'])
    unit: str | None = Field(default=None, examples=['"W"'])
    time: Path_ | None = Field(default=None, examples=['"$.time"'])
    format: Annotated[PayloadFormat, member_of(PayloadFormat)] = Field(default=PayloadFormat.AUTO, examples=['"auto"'])
    true_words: list[Word] | None = Field(default=None, alias="true", min_length=1, examples=['["ON"]'])
    false_words: list[Word] | None = Field(default=None, alias="false", min_length=1, examples=['["OFF"]'])
    max_silence_s: float | None = Field(default=None, gt=0, examples=["180"])
    of: NoName = Field(default="", examples=['"router"'])
    pattern: Pattern_ | None = Field(default=None, max_length=1000, examples=["'([0-9.]+) W'"])
    column: int | None = Field(default=None, ge=1, le=1000, examples=["3"])
    separator: str | None = Field(default=None, min_length=1, max_length=1, examples=['";"'])
    decimal: str = Field(default=".", pattern=r"^[.,]$", examples=['","'])
    naive_time: str | None = Field(default=None, pattern=r"^site$", examples=['"site"'])

    @model_validator(mode="after")
    def _texts(self) -> Self:
        if self.format is PayloadFormat.SENML and (self.pattern or self.column or self.decimal == ","):
            raise Refused(
                Said("config.a_senml_record_holds_a_number"), Said("config.remove_pattern_column_and_decimal")
            )
        if self.separator is not None and self.column is None:
            raise Refused(
                Said("config.separator_parts_columns_and_no_column"), Said("config.add_column_or_remove_separator")
            )
        if self.separator is not None and self.separator == self.decimal:
            raise Refused(
                Said("config.separator_and_decimal_are_both", decimal=self.decimal),
                Said("config.no_number_could_be_told_from"),
            )
        if self.naive_time is not None and self.time is None:
            raise Refused(Said("config.naive_time_says_how_a_time"), Said("config.add_time_or_remove_it"))
        return self

    @model_validator(mode="after")
    def _paths(self) -> Self:
        named_record = self.format is PayloadFormat.SENML and self.value is not None and self.value[0] != "$"
        if self.value is not None and not named_record:
            _path(self.value)
        return self


class AlarmsSection(Section):
    """[alarms]"""

    low_reserve_h: float | None = Field(default=None, gt=0, le=336, examples=["6"])
    critical_reserve_h: float | None = Field(default=None, gt=0, le=336, examples=["2"])
    limits: dict[Annotated[AlarmKind, member_of(AlarmKind)], float] = Field(
        default_factory=dict, examples=["{ pump-overrun = 120 }"]
    )
    off: list[Annotated[AlarmKind, member_of(AlarmKind)]] = Field(default_factory=list, examples=['["test-due"]'])

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        low, critical = self.low_reserve_h, self.critical_reserve_h
        if low is not None and critical is not None and critical >= low:
            raise Refused(Said("config.critical_reserve_h_is_not_below"), Said("config.make_it_smaller"))
        return self


MOST_CONTACTS = 200
"""Of one site; the lists of channels and loads have an end too, lest one file hold up the reading of the others."""

QUIET = re.compile(r"([01]\d|2[0-3]):[0-5]\d-([01]\d|2[0-3]):[0-5]\d")


class ContactSection(Section):
    """[[contacts]]"""

    name: Name = Field(min_length=1, max_length=64, examples=['"owner"'])
    email: Mailbox | None = Field(default=None, examples=['"owner@example.org"'])
    webhook: Webhook | None = Field(default=None, examples=['"https://example.org/hook"'])
    minimum_priority: Annotated[Priority, member_of(Priority)] = Field(default=Priority.LOW, examples=['"high"'])
    quiet_hours: str | None = Field(default=None, examples=['"22:00-07:00"'])
    after_min: float = Field(default=0.0, ge=0, le=1440, examples=["15"])
    webhook_secret: str | None = Field(default=None, min_length=8, examples=['"a long secret"'])
    webhook_format: str = Field(default="json", pattern=r"^[a-z0-9_-]+$", examples=['"json"'])
    webhook_transitions: Literal["told", "all"] = Field(default="told", examples=['"all"'])
    webhook_headers_file: str | None = Field(default=None, min_length=1, max_length=200, examples=['"hook-headers"'])
    webhook_template: Annotated[str, AfterValidator(checked)] | None = Field(
        default=None, max_length=8000, examples=["'{\"text\": {{ headline | tojson }}}'"]
    )
    webhook_content_type: str = Field(
        default="application/json", pattern=r"^[\w.+-]+/[\w.+-]+(; ?charset=[\w-]+)?$", examples=['"text/plain"']
    )
    language: Language | None = Field(default=None, examples=['"en"'])
    phone: str | None = Field(default=None, pattern=r"^[+0-9(][0-9 ()./-]{2,38}[0-9]$", examples=['"+1 555 0100"'])
    hours_to_reach: float | None = Field(default=None, ge=0, le=240, examples=["0.5"])
    weekly_letter: Annotated[WeeklyLetter, member_of(WeeklyLetter)] | None = Field(
        default=None, examples=['"homeowner"']
    )

    @model_validator(mode="after")
    def _reachable(self) -> Self:
        if self.email is None and self.webhook is None:
            raise Refused(
                Said("config.neither_email_nor_webhook_is_given"), Said("config.add_one_for_example_email_owner")
            )
        if self.weekly_letter is not None and self.email is None:
            raise Refused(Said("config.weekly_letter_goes_by_mail"), Said("config.add_email_owner_example_org_or"))
        if self.quiet_hours is not None and not QUIET.fullmatch(self.quiet_hours):
            raise Refused(
                Said("config.quiet_hours_cannot_be_read", quiet_hours=self.quiet_hours),
                Said("config.write_22_00_07_00"),
            )
        return self


class WeatherSection(Section):
    """[weather]"""

    url: Address = Field(examples=['"https://weather.example.org/hourly"'])
    time: Path_ = Field(examples=['"$.hourly.time[*]"'])
    rain: Path_ = Field(examples=['"$.hourly.rain[*]"'])
    unit: str = Field(default="mm", examples=['"mm"'])
    every_s: float = Field(default=1800.0, ge=60, le=86_400, examples=["1800"])


class SiteModel(Section):
    """The whole file."""

    id: str = Field(pattern=r"^[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?$", examples=['"larkspur"'])
    name: Name = Field(min_length=1, max_length=120, examples=['"Larkspur Lane cellar"'])
    timezone: str = Field(examples=['"America/Chicago"'])
    units: Annotated[Units, member_of(Units)] = Field(default=Units.METRIC, examples=['"metric"'])
    latitude: float | None = Field(default=None, ge=-90, le=90, examples=["41.9"])
    longitude: float | None = Field(default=None, ge=-180, le=180, examples=["-87.7"])
    pumps: list[PumpsSection] = Field(default=[], max_length=8)
    pump: PumpSection | None = Field(default=None, validate_default=True)
    pit: PitSection = PitSection()
    packs: list[PacksSection] = Field(default=[], max_length=8)
    pack: PackSection | None = Field(default=None, validate_default=True)
    pack_arrangement: Annotated[Arrangement, member_of(Arrangement)] | None = Field(
        default=None, validate_default=True, examples=['"parallel"']
    )
    loads: list[LoadSection] = Field(default=[], max_length=200)
    channels: list[ChannelSection] = Field(default=[], max_length=500)
    alarms: AlarmsSection = AlarmsSection()
    contacts: list[ContactSection] = Field(default=[], max_length=MOST_CONTACTS)
    weather: WeatherSection | None = None
    rain_table: RainTableSection | None = None
    away: AwaySection | None = None
    pause: PauseSection | None = None
    language: Language | None = Field(default=None, examples=['"en"'])
    groups: list[Annotated[Name, Field(min_length=1, max_length=40)]] = Field(
        default=[], max_length=10, examples=['["north round"]']
    )

    @field_validator("pumps")
    @classmethod
    def _pumps(cls, value: list[PumpsSection]) -> list[PumpsSection]:
        return two_pumps(value)

    @field_validator("pump")
    @classmethod
    def _pump(cls, value: PumpSection | None, known: ValidationInfo) -> PumpSection | None:
        return one_or_several(value, known.data.get("pumps"), "pump")

    @field_validator("packs")
    @classmethod
    def _packs(cls, value: list[PacksSection]) -> list[PacksSection]:
        return several(value)

    @field_validator("pack")
    @classmethod
    def _pack(cls, value: PackSection | None, known: ValidationInfo) -> PackSection | None:
        return one_or_several(value, known.data.get("packs"), "pack")

    @field_validator("pack_arrangement")
    @classmethod
    def _arrangement(cls, value: Arrangement | None, known: ValidationInfo) -> Arrangement | None:
        return arranged(value, known.data.get("packs"))

    @field_validator("timezone")
    @classmethod
    def _zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise Refused(
                Said("config.is_not_an_iana_time_zone", value=value), Said("config.write_for_example_america_chicago")
            ) from error
        return value
