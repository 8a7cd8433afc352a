"""Strategies for property tests, shared by every room."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from typing import Any

from hypothesis import strategies as st

from forecaster.domain.quantities import SPECS, STATES, Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel, Load, Pack, Pit, Pump, Site

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


def _site(pump: Pump, pit: Pit | None, pack: Pack, loads: tuple[Load, ...], heard: set[Quantity]) -> Site:
    channels = tuple(Channel(q, f"cellar/{q.value}") for q in Quantity if q in heard)
    return Site(
        id="larkspur", name="Larkspur Lane cellar", timezone="America/Chicago",
        pump=pump, pit=pit or Pit(), pack=pack, loads=loads, channels=channels,
    )  # fmt: skip


sites: st.SearchStrategy[Site] = st.builds(
    _site,
    st.builds(lambda pump, flow: replace(pump, rated_flow_l_per_min=flow), pumps, st.none() | st.floats(20, 400)),
    st.none()
    | st.builds(Pit, st.none() | st.floats(0.05, 2), st.none() | st.floats(0.05, 1), st.none() | st.floats(0.1, 1)),
    st.builds(lambda pack, percent: replace(pack, reserve_percent=percent), packs, st.floats(0, 60)),
    st.lists(st.builds(Load, st.sampled_from(["fridge", "router"]), st.floats(1, 300)), max_size=2).map(tuple),
    st.sets(st.sampled_from([q for q in Quantity if q is not Quantity.LOAD_POWER]), max_size=6).map(
        lambda some: some | {Quantity.PUMP_POWER}
    ),
)
"""Sites of which much or little is known, with some channels beside the pump's power."""


def _history(site: Site, seed: int, count: int) -> tuple[Site, list[Reading]]:
    rng = random.Random(seed)
    at_ms, found = T0_MS, []
    for _ in range(count):
        quantity = rng.choice(site.channels).quantity
        spec = SPECS[quantity]
        value = rng.choice((0.0, 1.0, 100.0, rng.random(), rng.uniform(-50.0, 2_500.0)))
        kept = float(value > 0.5) if quantity in STATES else min(max(value, spec.low), spec.high)
        wait_s = rng.choice((1.0, rng.uniform(0.0, 10.0), rng.uniform(-60.0, 60.0), rng.uniform(0.0, 600.0)))
        if rng.random() < 0.02:
            wait_s = rng.uniform(0.0, 200_000.0)
        at_ms = max(T0_MS, at_ms + round(wait_s * 1000.0))
        found.append(Reading(site.id, quantity, at_ms, kept, at_ms + 300))
    return site, found


histories: st.SearchStrategy[tuple[Site, list[Reading]]] = st.builds(
    _history, sites, st.integers(0, 2**32 - 1), st.integers(0, 200)
)
"""A site and what was heard of it: any believable value, out of order within a minute, silent for days at times."""
