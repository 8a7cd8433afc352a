"""Payloads: what is taken, what is refused, and why."""

from __future__ import annotations

import pytest

from collector.decode.payload import Decoded, Decoder
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel, Pack, PayloadFormat, Pump, Site

NOW = 1_772_510_706_123  # 2026-03-03T04:05:06.123Z


def site_with(*channels: Channel) -> Site:
    return Site("larkspur", "Larkspur Lane cellar", "America/Chicago", Pump(), Pack(1024.0), channels=channels)


def decode(channel: Channel, payload: bytes, *, retained: bool = False) -> Decoded:
    return Decoder([site_with(channel)]).decode(channel.topic, payload, NOW, retained)


def value_of(channel: Channel, payload: bytes) -> float:
    found = decode(channel, payload)
    assert not found.refusals, found.refusals
    (reading,) = found.readings
    return reading.value


def reason_of(channel: Channel, payload: bytes) -> str:
    found = decode(channel, payload)
    assert not found.readings
    (refusal,) = found.refusals
    assert refusal.site == "larkspur"
    assert refusal.topic == channel.topic
    assert refusal.payload == payload[:4096]
    assert "\n" not in refusal.reason
    return refusal.reason


BARE = Channel(Quantity.PUMP_POWER, "plug/power")
JSON = Channel(Quantity.PUMP_POWER, "plug/state", "$.power", time="$.time")
FLOAT = Channel(Quantity.PIT_FLOAT, "pit/float")


@pytest.mark.parametrize(
    ("payload", "value"),
    [(b"12.5", 12.5), (b" 12.5\n", 12.5), (b"+1e2", 100.0), (b".5", 0.5), (b"0", 0.0), (b'"7"', 7.0), (b"-3", -3.0)],
)
def test_bare_numbers(payload: bytes, value: float) -> None:
    assert value_of(BARE, payload) == value


@pytest.mark.parametrize(
    ("payload", "says"),
    [
        (b"", "empty"),
        (b"null", "not a number"),
        (b"unavailable", "not a number"),
        (b"true", "not a number"),
        (b"ON", "not a number"),
        (b"12,5", "decimal comma"),
        (b"1_000", "not a number"),
        (b"0x10", "not a number"),
        (b"NaN", "not a number"),
        (b"inf", "not a number"),
        (b"1e999", "out of range"),
        (b"1e9", "outside -50 to 20000 W"),
        ("٣".encode(), "not a number"),
        (b"9" * 5000, "not a number"),
        (b"\xff\xfe", "not UTF-8"),
        (b'{"power": 1}', "add value"),
        (b"1" * 300_000, "300000 bytes"),
    ],
)
def test_what_is_not_a_bare_number(payload: bytes, says: str) -> None:
    assert says in reason_of(BARE, payload)


@pytest.mark.parametrize(
    ("power", "says"),
    [
        (b"true", "the value is true, not a number"),
        (b"null", "null"),
        (b"NaN", "not JSON"),
        (b"-Infinity", "not JSON"),
        (b"1e999", "out of range"),
        (b"9" * 4301, "out of range"),
        (b"9" * 400, "out of range"),
        (b"{}", "an object"),
        (b"[1]", "an array"),
        (b'"1,5"', "decimal comma"),
        (b'"NaN"', "not a number"),
        (b"30000", "outside"),
        (b'1,"power":2', "the key 'power' is there twice"),
        (b'1,"p\\u006fwer":2', "the key 'power' is there twice"),
        (b'1,"deep":{"a":{"b":":","b":"::"}}', "the key 'b' is there twice"),
        (b'1,"deep":' + b"[" * 70 + b"]" * 70, "more than 64 deep"),
        (b'1,"deep":' + b"[" * 90_000, "more than 64 deep"),
        (b"1,", "not JSON"),
        (b'"\\ud800"', "not JSON"),
        (b'1,"x":"\xff"', "not UTF-8"),
    ],
)
def test_what_is_not_a_number_in_json(power: bytes, says: str) -> None:
    assert says in reason_of(JSON, b'{"time":1772510706,"power":' + power + b"}")


def test_colons_and_escapes_in_texts_are_no_duplicates() -> None:
    payload = b'{"a:b":"c:d","e":["f:g",{"h":":"}],"i":"\\":\\u003a","power" : 5 ,"time":"2026-03-03T04:05:06Z"}'
    assert value_of(JSON, payload) == 5.0


@pytest.mark.parametrize(
    ("time", "time_ms"),
    [
        (b"1772510706", 1_772_510_706_000),
        (b"1772510706.5", 1_772_510_706_500),
        (b"1772510706123", NOW),
        (b"1772510706123456", NOW),
        (b'"1772510706123"', NOW),
        (b'"2026-03-03T04:05:06Z"', 1_772_510_706_000),
        (b'"2026-03-03T04:05:06.123456Z"', NOW),
        (b'"2026-03-02t22:05:06.123-06:00"', NOW),
        (b'"2016-12-31T23:59:60Z"', 1_483_228_800_000),
        (b'"2000-01-01T00:00:00Z"', 946_684_800_000),
    ],
)
def test_source_times(time: bytes, time_ms: int) -> None:
    found = decode(JSON, b'{"power":1,"time":' + time + b"}")
    assert found.readings == (Reading("larkspur", Quantity.PUMP_POWER, time_ms, 1.0, NOW),)


@pytest.mark.parametrize(
    ("time", "says"),
    [
        (b'"2026-03-03T04:05:06"', "without an offset"),
        (b'"2026-02-30T04:05:06Z"', "not a time"),
        (b'"yesterday"', "not an RFC 3339 time"),
        (b"true", "not a time"),
        (b"null", "not a time"),
        (b"17", "before 2000"),
        (b"946684799", "before 2000"),
        (b"1772597107", "1.0 days ahead"),
        (b"1e30", "not a time"),
        (b'"9999-12-31T23:59:59-23:59"', ""),
    ],
)
def test_times_that_are_not_believed(time: bytes, says: str) -> None:
    assert says in reason_of(JSON, b'{"power":1,"time":' + time + b"}")


def test_a_missing_source_time_is_refused_and_not_guessed() -> None:
    assert "$.time selects 0 times" in reason_of(JSON, b'{"power":1}')


def test_rain_to_come_is_believed_sixteen_days_ahead() -> None:
    channel = Channel(Quantity.RAIN_EXPECTED, "rain", "$.rain[*]", "inch", "$.at[*]")
    ahead = NOW // 1000 + 15 * 86_400
    found = decode(channel, b'{"at":[%d,%d],"rain":[0.1,0]}' % (ahead, ahead + 3600))
    assert [r.time_ms for r in found.readings] == [ahead * 1000, ahead * 1000 + 3_600_000]
    assert [r.value for r in found.readings] == pytest.approx([2.54, 0.0])
    assert "17.0 days ahead" in reason_of(channel, b'{"at":[%d],"rain":[1]}' % (ahead + 2 * 86_400))
    assert "selects 2 values, but" in reason_of(channel, b'{"at":[%d],"rain":[1,2]}' % ahead)


def test_several_values_without_times_are_refused() -> None:
    channel = Channel(Quantity.PUMP_POWER, "plug", "$.power[*]")
    assert "selects 2 values" in reason_of(channel, b'{"power":[1,2]}')
    assert "nothing at $.power[*]" in reason_of(channel, b'{"power":[]}')


# -- retained


@pytest.mark.parametrize("payload", [b"12.5", b'"12.5"'])
def test_a_retained_value_without_a_time_is_last_known_and_never_a_sample(payload: bytes) -> None:
    found = decode(BARE, payload, retained=True)
    assert found.readings == ()
    assert found.refusals == ()
    assert [r.value for r in found.last_known] == [12.5]


def test_a_retained_value_with_its_own_time_is_a_sample_of_that_time() -> None:
    found = decode(JSON, b'{"power":1,"time":1772000000}', retained=True)
    assert [r.time_ms for r in found.readings] == [1_772_000_000_000]


# -- yes and no


@pytest.mark.parametrize("payload", [b"ON", b"on", b"true", b"1", b"yes", b'"on"', b"True"])
def test_yes(payload: bytes) -> None:
    assert value_of(FLOAT, payload) == 1.0


@pytest.mark.parametrize("payload", [b"OFF", b"false", b"0", b"no", b"0 "])
def test_no(payload: bytes) -> None:
    assert value_of(FLOAT, payload) == 0.0


@pytest.mark.parametrize("payload", [b"", b"unavailable", b"null", b"2", b"-", b"{}", b"\xff", b"o n"])
def test_an_unknown_word_is_never_no(payload: bytes) -> None:
    assert reason_of(FLOAT, payload)


def test_own_words_replace_the_usual_ones() -> None:
    channel = Channel(Quantity.PIT_FLOAT, "pit", "$.s", true_words=("WET", 3, True), false_words=("DRY", False))
    assert [value_of(channel, b'{"s":%s}' % s) for s in (b'"WET"', b"3", b"3.0", b"true")] == [1.0] * 4
    assert [value_of(channel, b'{"s":%s}' % s) for s in (b'"dry"', b"false")] == [0.0] * 2
    assert "neither yes nor no" in reason_of(channel, b'{"s":"ON"}')
    assert "neither yes nor no" in reason_of(channel, b'{"s":1}')


def test_reversed_words() -> None:
    channel = Channel(Quantity.PIT_FLOAT, "pit", true_words=(0,), false_words=(1,))
    assert value_of(channel, b"0") == 1.0
    assert value_of(channel, b"1") == 0.0
    only_yes = Channel(Quantity.PIT_FLOAT, "pit", true_words=("off",))
    assert value_of(only_yes, b"off") == 1.0
    assert value_of(only_yes, b"0") == 0.0


# -- units; NIST SP 811 gives the factors: 1 in = 25.4 mm, 1 ft = 0.3048 m, (°F - 32)/1.8 = °C


@pytest.mark.parametrize(
    ("quantity", "unit", "raw", "stored"),
    [
        (Quantity.PUMP_POWER, "kW", 0.5, 500.0),
        (Quantity.PUMP_ENERGY, "kWh", 1.5, 1500.0),
        (Quantity.PUMP_ENERGY, "J", 3600.0, 1.0),
        (Quantity.PUMP_CURRENT, "mA", 4100.0, 4.1),
        (Quantity.WATER_LEVEL, "inch", 10.0, 0.254),
        (Quantity.WATER_LEVEL, "ft", 1.0, 0.3048),
        (Quantity.PACK_TEMPERATURE, "degF", 32.0, 0.0),
        (Quantity.PACK_TEMPERATURE, "degF", 212.0, 100.0),
        (Quantity.PACK_TEMPERATURE, "kelvin", 273.15, 0.0),
        (Quantity.RAIN_RATE, "inch/hour", 1.0, 25.4),
        (Quantity.RAIN_DEPTH, "in", 1.0, 25.4),
        (Quantity.PACK_CHARGE, "1", 0.71, 71.0),
        (Quantity.PACK_CHARGE, "percent", 71.0, 71.0),
        (Quantity.PACK_VOLTAGE, "mV", 51_200.0, 51.2),
    ],
)
def test_units_are_converted_to_the_stored_one(quantity: Quantity, unit: str, raw: float, stored: float) -> None:
    assert value_of(Channel(quantity, "t", unit=unit), b"%r" % raw) == pytest.approx(stored, rel=1e-12, abs=1e-9)


# -- topics


def test_wildcards_reach_every_channel_in_order_and_not_the_brokers_own_topics() -> None:
    decoder = Decoder(
        [
            site_with(
                Channel(Quantity.PUMP_POWER, "cellar/+/state", "$.power"),
                Channel(Quantity.PUMP_CURRENT, "cellar/#", "$.current"),
                Channel(Quantity.PUMP_RUNNING, "#", "$.on"),
            )
        ]
    )
    assert decoder.filters() == ("cellar/+/state", "cellar/#", "#")
    found = decoder.decode("cellar/plug/state", b'{"power":1,"current":2,"on":true}', NOW)
    assert [(r.quantity, r.value) for r in found.readings] == [
        (Quantity.PUMP_POWER, 1.0),
        (Quantity.PUMP_CURRENT, 2.0),
        (Quantity.PUMP_RUNNING, 1.0),
    ]
    assert [r.quantity for r in decoder.decode("cellar", b'{"current":2,"on":1}', NOW).readings] == [
        Quantity.PUMP_CURRENT,
        Quantity.PUMP_RUNNING,
    ]
    assert decoder.decode("$SYS/broker/uptime", b"{}", NOW) == Decoded()


def test_a_topic_nobody_takes_gives_nothing() -> None:
    decoder = Decoder([site_with(BARE)])
    assert decoder.decode("other", b"\xff", NOW) == Decoded()
    assert not decoder.claims("other")


def test_one_bad_value_does_not_cost_the_good_ones_beside_it() -> None:
    decoder = Decoder(
        [site_with(Channel(Quantity.PUMP_POWER, "t", "$.power"), Channel(Quantity.PUMP_CURRENT, "t", "$.current"))]
    )
    found = decoder.decode("t", b'{"power":"x","current":2}', NOW)
    assert [r.value for r in found.readings] == [2.0]
    assert [r.reason for r in found.refusals] == ["'x' is not a number"]


def test_a_payload_that_is_not_json_is_quarantined_once_a_site() -> None:
    decoder = Decoder(
        [site_with(Channel(Quantity.PUMP_POWER, "t", "$.power"), Channel(Quantity.PUMP_CURRENT, "t", "$.current"))]
    )
    assert len(decoder.decode("t", b"{", NOW).refusals) == 1


def test_the_kept_payload_is_bounded() -> None:
    (refusal,) = decode(BARE, b"x" * 10_000).refusals
    assert len(refusal.payload) == 4096


def test_load_power_names_its_load() -> None:
    found = decode(Channel(Quantity.LOAD_POWER, "t", of="router"), b"12")
    assert found.readings[0].subject == "router"
    assert found.readings[0].key == ("larkspur", "load_power", "router", NOW)


def test_a_senml_channel_refuses_what_is_no_pack() -> None:
    channel = Channel(Quantity.PUMP_POWER, "t", format=PayloadFormat.SENML)
    assert "not a SenML pack" in reason_of(channel, b'{"n":"power","v":1}')
    assert "holds several names" in reason_of(channel, b'[{"n":"a","v":1},{"n":"b","v":2}]')
    assert "does not convert" in reason_of(channel, b'[{"n":"a","u":"Cel","v":1}]')
    assert "no record" in reason_of(channel, b'[{"bn":"a"}]')
