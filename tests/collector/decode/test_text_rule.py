"""Payloads that devices really send, read as the channel declares them and never otherwise."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from collector.config.site_file import load_site, site_toml
from collector.decode.payload import Decoded, Decoder
from collector.decode.text_rule import TRIES
from forecaster.domain.errors import ConfigError
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Channel
from forecaster.twin.live import larkspur_site

T0 = 1_772_510_700_000
POWER = Channel(Quantity.PUMP_POWER, "plug")


def decoded(channel: Channel, payload: str, at_ms: int = T0) -> Decoded:
    return Decoder([replace(larkspur_site(), channels=(channel,))]).decode("plug", payload.encode(), at_ms)


def value(channel: Channel, payload: str) -> float:
    found = decoded(channel, payload)
    assert not found.refusals, found.refusals[0].reason
    return found.readings[0].value


def reason(channel: Channel, payload: str) -> str:
    found = decoded(channel, payload)
    assert not found.readings
    return found.refusals[0].reason


@pytest.mark.parametrize(
    ("given", "payload", "expected"),
    [
        ({"pattern": r"([0-9.]+) W"}, "500.2 W", 500.2),
        ({"pattern": r"([0-9.]+) W"}, "power: 12 W, 120 V", 12.0),
        ({"pattern": r"P=([-0-9.]+)"}, '{"not json P=7', 7.0),
        ({"pattern": r"([0-9.]+) kW", "unit": "kW"}, "0.5 kW", 500.0),
        ({"pattern": r"([0-9.]+) W", "value": "$.power"}, '{"power": "480 W"}', 480.0),
        ({"column": 3}, "plug,7,500.2,ok", 500.2),
        ({"column": 2}, '"cellar, left",480', 480.0),
        ({"column": 3, "decimal": ","}, "plug;7;500,2;ok", 500.2),
        ({"column": 1, "separator": "\t"}, "480\t1", 480.0),
        ({"column": 2, "pattern": r"(\d+)W"}, "a,480W", 480.0),
        ({"decimal": ","}, "500,2", 500.2),
        ({"decimal": ","}, "500", 500.0),
        ({"decimal": ",", "value": "$.p"}, '{"p": "500,2"}', 500.2),
        ({"decimal": ",", "value": "$.p"}, '{"p": 500.2}', 500.2),
    ],
)
def test_numbers_are_read_as_declared(given: dict[str, Any], payload: str, expected: float) -> None:
    assert value(replace(POWER, **given), payload) == expected


@pytest.mark.parametrize(
    ("given", "payload", "says"),
    [
        ({}, "500,2", 'write decimal = ","'),
        ({}, "500 W", "write pattern = '([-+0-9.,]+)'"),
        ({}, "500,2 W", 'and decimal = ","'),
        ({"decimal": ","}, "500.2", 'the channel says decimal = ","'),
        ({"decimal": ","}, "1.234,5", 'the channel says decimal = ","'),
        ({"pattern": r"([0-9.]+) W"}, "off", "the pattern does not fit"),
        ({"pattern": r"([a-z]+) W"}, "abc W", "is not a number"),
        ({"column": 5}, "1,2,3", "has 3 columns, and column 5"),
        ({"column": 1}, "", "0 columns"),
        ({"pattern": r"(\d+)", "value": "$.p"}, '{"p": 5}', "is not a text"),
        ({"pattern": r"(\d+)"}, "7" * 5000, "has 5000 characters"),
    ],
)
def test_what_does_not_fit_is_refused_with_the_mend(given: dict[str, Any], payload: str, says: str) -> None:
    assert says in reason(replace(POWER, **given), payload)


def test_a_pattern_that_never_ends_is_given_up() -> None:
    """In: texts with which the time doubles by the letter. Out: refused within bounds, and then not tried any more."""
    channel = replace(POWER, pattern="^(?:(?:a|aa)+)+b([0-9]+)$")
    decoder = Decoder([replace(larkspur_site(), channels=(channel,))])
    assert decoder.decode("plug", b"aab12", T0).readings[0].value == 12.0
    said = [decoder.decode("plug", b"a" * 4_000, T0 + n).refusals[0].reason for n in range(TRIES)]
    assert all("took more than 0.2 s" in reason for reason in said)
    assert "is not tried until" in decoder.decode("plug", b"aab12", T0 + 10).refusals[0].reason


def test_words_for_yes_and_no_are_read_in_texts_too() -> None:
    running = Channel(Quantity.PUMP_RUNNING, "plug", column=2)
    assert [value(running, text) for text in ("7,ON", "7,off")] == [1.0, 0.0]


def test_on_off_and_power_come_on_two_topics() -> None:
    site = replace(
        larkspur_site(), channels=(Channel(Quantity.PUMP_RUNNING, "plug/relay"), Channel(Quantity.PUMP_POWER, "plug/w"))
    )
    decoder = Decoder([site])
    found = [decoder.decode(topic, body, T0).readings[0] for topic, body in (("plug/relay", b"ON"), ("plug/w", b"480"))]
    assert [(r.quantity, r.value) for r in found] == [(Quantity.PUMP_RUNNING, 1.0), (Quantity.PUMP_POWER, 480.0)]


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


@pytest.mark.parametrize(
    ("written", "arrived", "expected"),
    [
        ("2026-03-03T04:05:06", "2026-03-03T10:05:07", "2026-03-03T10:05:06"),  # Chicago, UTC-6
        ("2026-07-03 04:05:06", "2026-07-03T09:05:07", "2026-07-03T09:05:06"),  # UTC-5
        ("2026-11-01T01:30:00", "2026-11-01T06:30:01", "2026-11-01T06:30:00"),  # twice: the first
        ("2026-11-01T01:30:00", "2026-11-01T07:30:01", "2026-11-01T07:30:00"),  # twice: the second
        ("2026-03-03T04:05:06Z", "2026-03-03T04:05:07", "2026-03-03T04:05:06"),  # an offset still counts
    ],
)
def test_a_local_time_is_the_sites_where_declared(written: str, arrived: str, expected: str) -> None:
    """Offsets of America/Chicago in 2026: CST until 8 March and from 1 November, CDT between (IANA tz database)."""
    channel = replace(POWER, value="$.v", time="$.t", naive_time="site")
    found = decoded(channel, f'{{"v": 1, "t": "{written}"}}', ms(arrived))
    assert [r.time_ms for r in found.readings] == [ms(expected)]
    plain = replace(channel, naive_time=None)
    if not written.endswith("Z"):
        assert 'naive_time = "site"' in reason(plain, f'{{"v": 1, "t": "{written}"}}')


def site_with(tmp_path: Path, keys: str) -> Path:
    whole = site_toml(replace(larkspur_site(), channels=()))
    channel = f'\n[[channels]]\nquantity = "pump_power"\ntopic = "plug"\n{keys}\n'
    path = tmp_path / "larkspur.toml"
    path.write_text(whole + channel, encoding="utf-8")
    return path


def test_the_site_file_takes_them_and_writes_them_again(tmp_path: Path) -> None:
    keys = 'value = "$.v"\ntime = "$.t"\npattern = \'([0-9,]+) W\'\ncolumn = 2\nseparator = ";"\ndecimal = ","\n'
    site = load_site(site_with(tmp_path, keys + 'naive_time = "site"'))
    channel = site.channels[0]
    assert (channel.pattern, channel.column, channel.separator) == ("([0-9,]+) W", 2, ";")
    assert (channel.decimal, channel.naive_time) == (",", "site")
    (tmp_path / "larkspur.toml").write_text(site_toml(site), encoding="utf-8")
    assert load_site(tmp_path / "larkspur.toml") == site


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ("pattern = '[0-9]+ W'", "0 groups"),
        ("pattern = '([0-9]+) (W)'", "2 groups"),
        ("pattern = '([0-9]+'", "not a regular expression"),
        ("column = 0", "column"),
        ('separator = ";"', "no column is named"),
        ('column = 1\nseparator = ","\ndecimal = ","', "separator and decimal are both"),
        ('decimal = "."\nnaive_time = "site"', "no time is named"),
        ('naive_time = "local"\ntime = "$.t"', "naive_time"),
        ('format = "senml"\ncolumn = 1', "a SenML record holds a number"),
    ],
)
def test_what_cannot_be_is_told(tmp_path: Path, keys: str, says: str) -> None:
    with pytest.raises(ConfigError) as caught:
        load_site(site_with(tmp_path, keys))
    assert says in str(caught.value)
