"""SenML against the examples of RFC 8428 section 5 (JSON), and its resolution rules."""

from __future__ import annotations

import json

import pytest

from collector.decode.payload import Decoder
from collector.decode.senml import resolve
from forecaster.domain.errors import PayloadError
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel, Pack, PayloadFormat, Pump, Site

NOW_MS = 1_772_510_706_123

SINGLE = '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
"""RFC 8428 section 5.1.1."""

MULTIPLE = """[
 {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
 {"n":"current","u":"A","v":1.2}
]"""
"""RFC 8428 section 5.1.2, first example."""

MULTIPLE_TIMED = """[
 {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
 {"n":"current","t":-5,"v":1.2},
 {"n":"current","t":-4,"v":1.3},
 {"n":"current","t":-3,"v":1.4},
 {"n":"current","t":-2,"v":1.5},
 {"n":"current","t":-1,"v":1.6},
 {"n":"current","v":1.7}
]"""
"""RFC 8428 section 5.1.2, second example."""

RESOLVED = [
    ("urn:dev:ow:10e2073a0108006:voltage", "V", 1.276020076001e09, 120.1),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.276020071001e09, 1.2),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.276020072001e09, 1.3),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.276020073001e09, 1.4),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.276020074001e09, 1.5),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.276020075001e09, 1.6),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.276020076001e09, 1.7),
]
"""RFC 8428 section 5.1.4, "Resolved Data": the example above, resolved."""

MULTIPLE_TYPES = """[
 {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
 {"n":"label","vs":"Machine Room"},
 {"n":"open","vb":false},
 {"n":"nfc-reader","vd":"aGkgCg"}
]"""
"""RFC 8428 section 5.1.5."""


def decode(channel: Channel, payload: str, now_ms: int = NOW_MS) -> tuple[Reading, ...]:
    site = Site("larkspur", "Larkspur Lane cellar", "UTC", Pump(), Pack(1024.0), channels=(channel,))
    found = Decoder([site]).decode(channel.topic, payload.encode(), now_ms)
    assert not found.refusals, found.refusals
    return found.readings


def test_a_single_datapoint() -> None:
    (reading,) = decode(Channel(Quantity.PACK_TEMPERATURE, "t"), SINGLE)
    assert (reading.value, reading.time_ms) == (23.1, NOW_MS)


def test_multiple_datapoints_are_picked_by_name() -> None:
    for name in ("voltage", "urn:dev:ow:10e2073a01080063:voltage", "$[?@.n=='urn:dev:ow:10e2073a01080063:voltage']"):
        channel = Channel(Quantity.PACK_VOLTAGE, "t", name, format=PayloadFormat.SENML)
        assert [r.value for r in decode(channel, MULTIPLE)] == [120.1]
    channel = Channel(Quantity.PUMP_CURRENT, "t", "current", "mA", format=PayloadFormat.SENML)
    assert [r.value for r in decode(channel, MULTIPLE)] == [1.2], "the record's own unit wins over the channel's"


def test_resolved_data() -> None:
    found = [(r.name, r.unit, r.time_s, r.value) for r in resolve(json.loads(MULTIPLE_TIMED))]
    assert [(n, u, v) for n, u, _, v in found] == [(n, u, v) for n, u, _, v in RESOLVED]
    assert [t for _, _, t, _ in found] == pytest.approx([t for _, _, t, _ in RESOLVED], abs=1e-6)
    channel = Channel(Quantity.PUMP_CURRENT, "t", "current", format=PayloadFormat.SENML)
    readings = decode(channel, MULTIPLE_TIMED)
    assert [r.time_ms for r in readings] == [1_276_020_071_001 + 1000 * i for i in range(6)]
    assert [r.value for r in readings] == [1.2, 1.3, 1.4, 1.5, 1.6, 1.7]


def test_multiple_data_types() -> None:
    records = resolve(json.loads(MULTIPLE_TYPES))
    assert [r.value for r in records] == [23.1, "Machine Room", False, None]
    channel = Channel(Quantity.HIGH_WATER, "t", "open", format=PayloadFormat.SENML)
    assert [r.value for r in decode(channel, MULTIPLE_TYPES)] == [0.0]


def test_times_below_2_to_the_28_are_relative_to_now() -> None:
    """RFC 8428 section 4.5.3."""
    channel = Channel(Quantity.PUMP_POWER, "t", format=PayloadFormat.SENML)
    assert [r.time_ms for r in decode(channel, '[{"n":"p","u":"W","v":1,"t":-60},{"n":"p","u":"W","v":1,"t":30}]')] == [
        NOW_MS - 60_000,
        NOW_MS + 30_000,
    ]


def test_from_2_to_the_28_on_a_time_is_absolute() -> None:
    """RFC 8428 section 4.5.3: values greater than or equal to 2**28 are absolute times, seconds since 1970."""
    below, at = resolve([{"n": "p", "v": 1, "t": 2**28 - 1}, {"n": "p", "v": 1, "t": 2**28}])
    assert below.time_ms(NOW_MS) == NOW_MS + (2**28 - 1) * 1000
    assert at.time_ms(NOW_MS) == 2**28 * 1000


def test_base_value_is_added_and_base_sum_too() -> None:
    """RFC 8428 section 4.1: base value and base sum are added to those of the records."""
    records = resolve([{"bn": "a", "bv": 20.0, "bs": 100.0, "v": 1.5, "s": 3.0}, {"v": -0.5}])
    assert [(r.value, r.sum) for r in records] == [(21.5, 103.0), (19.5, None)]


def test_battery_percent_and_ratio() -> None:
    """RFC 8428 section 12.1: %EL is the remaining battery energy level in percent, / a ratio."""
    channel = Channel(Quantity.PACK_CHARGE, "t", format=PayloadFormat.SENML)
    assert [r.value for r in decode(channel, '[{"n":"b","u":"%EL","v":71}]')] == [71.0]
    assert [r.value for r in decode(channel, '[{"n":"b","u":"/","v":0.25}]')] == [25.0]


def test_what_must_be_understood_and_is_not_is_refused() -> None:
    """RFC 8428 section 4.4: a label that ends in _ must be understood; a newer version is not."""
    with pytest.raises(PayloadError, match="must be understood"):
        resolve([{"n": "a", "v": 1, "new_": 2}])
    with pytest.raises(PayloadError, match="newer"):
        resolve([{"bver": 11, "n": "a", "v": 1}])
    assert len(resolve([{"n": "a", "v": 1, "future": 2}])) == 1
