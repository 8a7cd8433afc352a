"""Strategies for property tests, shared by every room."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import strategies as st

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Pack, Pump

T0_MS = 1_772_510_700_000

strange_numbers = st.sampled_from(
    [b"NaN", b"-Infinity", b"1e999", b"9" * 4400, b"-0", b"1_000", b"0x1", b"1,5", b"01", b"1.", b".5", b"1e-400"]
)

json_values: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)

times = st.one_of(
    st.integers(min_value=0, max_value=2**63),
    st.floats(),
    st.datetimes().map(lambda moment: moment.isoformat() + "Z"),
    st.text(max_size=30),
)


def _message(power: Any, time: Any, more: Any) -> bytes:
    return json.dumps({"power": power, "time": time, "more": more}).encode()


messages: st.SearchStrategy[bytes] = st.one_of(
    st.binary(max_size=200),
    st.text(max_size=60).map(lambda text: text.encode("utf-8", "surrogatepass")),
    json_values.map(lambda value: json.dumps(value).encode()),
    st.builds(_message, json_values, times, json_values),
    strange_numbers,
    strange_numbers.map(lambda number: b'{"power":' + number + b',"time":1772510700}'),
    st.integers(min_value=1, max_value=100_000).map(lambda depth: b"[" * depth),
    st.builds(
        lambda value, at: b'{"power":1,"power":' + json.dumps(value).encode() + b',"time":%d}' % at,
        json_values,
        st.integers(min_value=0, max_value=2**40),
    ),
    st.builds(
        lambda records: json.dumps(records).encode(),
        st.lists(
            st.dictionaries(
                st.sampled_from(["n", "bn", "v", "vb", "vs", "u", "t", "bt", "bv", "s", "x_"]), json_values
            ),
            max_size=4,
        ),
    ),
)
"""Payloads of every kind: sound, nearly sound, and noise."""

readings: st.SearchStrategy[Reading] = st.builds(
    Reading,
    site=st.sampled_from(["a", "b"]),
    quantity=st.sampled_from([Quantity.PUMP_POWER, Quantity.PACK_CHARGE]),
    time_ms=st.integers(min_value=T0_MS, max_value=T0_MS + 20),
    value=st.sampled_from([0.0, 1.0, 2.5, -3.0]),
    arrived_ms=st.integers(min_value=T0_MS, max_value=T0_MS + 5),
)
"""Readings that collide often."""

pumps: st.SearchStrategy[Pump] = st.builds(
    lambda amps, spread, factor, hp: Pump(
        rated_voltage_v=115, rated_current_a=(amps, amps * spread), power_factor=factor, horsepower=hp
    ),
    st.floats(2, 12),
    st.floats(1, 2),
    st.none() | st.floats(0.5, 0.95),
    st.none() | st.floats(0.2, 1.0),
)
"""Pumps on 115 V, of plates that tell much or little."""

packs: st.SearchStrategy[Pack] = st.builds(
    lambda wh, watts, factor, idle: Pack(wh, watts, watts * factor, idle_w=idle),
    st.floats(300, 5000),
    st.floats(200, 3000),
    st.floats(1, 3),
    st.none() | st.floats(1, 30),
)
"""Packs from a small power bank to a wall of cells."""
