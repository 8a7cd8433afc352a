"""Property tests: the decoder for any bytes, the number rule, the store for any order."""

from __future__ import annotations

import json
import math
import random
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.decode.payload import Decoder
from collector.decode.strict_json import parse
from collector.decode.units import conversion
from collector.decode.values import number, source_time_ms
from collector.store.sqlite import SqliteStore
from forecaster.domain.errors import PayloadError
from forecaster.domain.quantities import SPECS, Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel, Pack, PayloadFormat, Pump, Site
from tests.contracts.store_contract import content
from tests.strategies import messages, readings

NOW_MS = 1_772_510_706_123
CHANNELS = (
    Channel(Quantity.PUMP_POWER, "t/1", "$.power", time="$.time"),
    Channel(Quantity.PUMP_POWER, "t/2"),
    Channel(Quantity.PIT_FLOAT, "t/3"),
    Channel(Quantity.PACK_TEMPERATURE, "t/4", "$..power", "degF"),
    Channel(Quantity.PUMP_ENERGY, "t/5", format=PayloadFormat.SENML),
    Channel(Quantity.RAIN_EXPECTED, "t/6", "$[*]", time="$[*].t"),
    Channel(Quantity.HIGH_WATER, "t/+", "$.power", true_words=(1, "x"), false_words=(0,)),
    Channel(Quantity.PUMP_CURRENT, "t/1", "$.more[?@.a > 1]"),
)
DECODER = Decoder(
    [Site("larkspur", "Larkspur Lane cellar", "America/Chicago", Pump(), Pack(1024.0), channels=CHANNELS)]
)


def check_decoding(topic: str, payload: bytes, retained: bool) -> None:
    found = DECODER.decode(topic, payload, NOW_MS, retained)
    assert found.readings or found.refusals or found.last_known
    for reading in (*found.readings, *found.last_known):
        spec = SPECS[reading.quantity]
        assert math.isfinite(reading.value)
        assert spec.low <= reading.value <= spec.high
        assert 946_684_800_000 <= reading.time_ms <= NOW_MS + 16 * 86_400_000
        assert reading.arrived_ms == NOW_MS
    for refusal in found.refusals:
        assert refusal.reason
        assert len(refusal.payload) <= 4096
    assert retained or not found.last_known
    assert found == DECODER.decode(topic, payload, NOW_MS, retained)


SOUND = (
    b'{"power":481.5,"time":"2026-03-03T04:05:06.123Z","more":[{"a":3}]}',
    b'{"power":true,"time":1772510706,"more":{"a":{"b":[1,2,{"c":null}]}}}',
    b'[{"bn":"plug:","bt":1772510706,"n":"energy","u":"kWh","v":12.5},{"n":"energy","t":-5,"v":12.4}]',
    b'[{"t":1772510706},{"t":1772514306}]',
    b"481.5",
    b"ON",
)
STRANGE_UNITS = (
    "9**9**9",
    "(",
    "W)",
    '"',
    "'''",
    "W\nW",
    "a" * 5000,
    "W**",
    "import",
    "\x00",
    "[",
    "2 W",
    "m..",
    "%%EL",
    "",
)


@pytest.mark.parametrize("unit", STRANGE_UNITS)
def test_text_that_is_no_unit_converts_to_nothing(unit: str) -> None:
    assert conversion(unit, "W") is None


PIECES = (
    b'"', b"\\", b"{", b"}", b"[", b"]", b":", b",", b"NaN", b"1e999", b"-", b"0", b"9" * 400,
    b"null", b"true", b"\xff",
    b'"power":', b'"time":', b"\xc3", b"\x00", b"e5", b".", b"\\u0000", b"\\ud800", b"Z", b"+01:00", b"\xe2\x80\xa8",
)  # fmt: skip

topics = st.integers(1, 6).map(lambda n: f"t/{n}")


@given(topics, messages, st.booleans())
@settings(max_examples=250, deadline=None, suppress_health_check=list(HealthCheck))
def test_the_decoder_never_raises(topic: str, payload: bytes, retained: bool) -> None:
    check_decoding(topic, payload, retained)


@pytest.mark.parametrize(
    "count", [20_000, pytest.param(1_000_000, marks=[pytest.mark.long, pytest.mark.timeout(3600)])]
)
def test_the_decoder_never_raises_on_mangled_messages(count: int) -> None:
    """Sound messages with bytes cut, doubled, swapped and replaced: near misses that free noise seldom hits."""
    rng = random.Random(count)
    for _ in range(count):
        payload = bytearray(rng.choice(SOUND))
        for _ in range(rng.randrange(4)):
            start = rng.randrange(len(payload) + 1)
            end = min(len(payload), start + rng.randrange(6))
            payload[start:end] = rng.choice((b"", rng.choice(PIECES), payload[start:end] * 2, rng.randbytes(2)))
        check_decoding(f"t/{rng.randrange(1, 7)}", bytes(payload), rng.random() < 0.2)


@given(
    st.recursive(
        st.integers(-5, 5) | st.text(':"\\a', max_size=4),
        lambda i: st.lists(st.tuples(st.sampled_from(["a", "b:", "c"]), i), max_size=4),
        max_leaves=10,
    )
)
@settings(max_examples=150, deadline=None)
def test_duplicate_keys_are_found_exactly(tree: object) -> None:
    """Against the plain method: the standard library's reader, told of every pair."""
    twice = False

    def write(node: object) -> str:
        nonlocal twice
        if isinstance(node, list):
            names = [name for name, _ in node]
            twice = twice or len(set(names)) < len(names)
            return "{" + ",".join(f"{json.dumps(name)}:{write(value)}" for name, value in node) + "}"
        return json.dumps(node)

    payload = write(tree).encode()
    if twice:
        with pytest.raises(PayloadError, match="there twice"):
            parse(payload)
    else:
        assert parse(payload) == json.loads(payload)


@given(st.one_of(st.booleans(), st.none(), st.text(), st.floats(), st.integers(), st.lists(st.integers())))
@settings(max_examples=150, deadline=None)
def test_numbers_are_strict(value: object) -> None:
    try:
        found = number(value)
    except PayloadError:
        return
    assert not isinstance(value, bool)
    assert isinstance(value, int | float) or float(str(value)) == found


@given(st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1)), st.sampled_from(["s", "ms", "us", "text"]))
@settings(max_examples=150, deadline=None)
def test_a_time_means_the_same_in_every_form(moment: datetime, form: str) -> None:
    us = round(moment.replace(tzinfo=UTC, microsecond=moment.microsecond // 1000 * 1000).timestamp() * 1000) * 1000
    forms: dict[str, object] = {
        "s": us / 1e6,
        "ms": us // 1000,
        "us": us,
        "text": moment.replace(microsecond=moment.microsecond // 1000 * 1000).isoformat() + "Z",
    }
    if form == "ms" and us // 1000 < 1e11:
        form = "text"
    assert source_time_ms(forms[form]) == us // 1000


@given(st.lists(readings, max_size=40), st.randoms(use_true_random=False), st.integers(1, 9))
@settings(max_examples=15, deadline=None)
def test_a_store_is_the_same_in_any_order(given_readings: list[Reading], order: random.Random, size: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        held = []
        for turn in range(2):
            store = SqliteStore(Path(name) / f"{turn}.db")
            for start in range(0, len(given_readings), size):
                store.append(given_readings[start : start + size])
            store.append(given_readings)
            held.append(content(store))
            store.close()
            order.shuffle(given_readings)
    assert held[0] == held[1]
