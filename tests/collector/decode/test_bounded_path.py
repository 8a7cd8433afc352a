"""Paths that would never end in what somebody publishes are counted and given up; all others select as they should."""

from __future__ import annotations

import json
import random
import tomllib
from dataclasses import replace
from typing import Any

import jsonpath_rfc9535
import pytest

from collector.config.site_file import site_from, site_toml
from collector.decode.bounded_path import MOST_STEPS, BoundedEnvironment, TooManyStepsError
from collector.decode.jsonpath import LONGEST_PATH, TRIES, compile_path
from collector.decode.payload import Decoder
from collector.decode.strict_json import MAX_BYTES
from forecaster.domain.errors import ConfigError
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Channel
from forecaster.twin.live import larkspur_site

T0 = 1_772_510_700_000
NESTED = [{"a": [{"b": "a" * 30} for _ in range(20)]} for _ in range(125)]
DEEP: Any = 1
for _ in range(60):
    DEEP = {"a": DEEP}
DESCENTS = "$..[?@..[?@..[?@..[?@..[?@.x]]]]]"
EVIL = {
    "filters and descents within each other": (DESCENTS, DEEP),
    "a product of wildcards": ("$" + "[*,*,*,*]" * 9, NESTED),
    "a descent from the root at each place": ("$[?$..x]", [1] * 80_000),
    "a comparison of halves at each place": ("$[*][?$[0]==$[1]]", [[0] * 40_000, [0] * 40_000]),
    "long texts compared again and again": (
        "$[?" + "&&".join(["$[0]==$[1]"] * 70) + "]",
        ["a" * 100_000] * 2 + [1] * 9999,
    ),
    "a pattern that doubles by the letter": ("$[?search(@,'(a|aa)+$')]", ["a" * 60 + "b"] * 2_000),
    "a pattern from the payload itself": ("$[?match(@.t, @.p)]", [{"t": "a" * 60 + "b", "p": "(a|aa)+"}] * 900),
    "a long text searched": ("$[?search(@,'a')]", ["a" * 5_000]),
}


@pytest.mark.parametrize("kind", EVIL)
def test_a_path_that_takes_too_long_stops_at_its_count(kind: str) -> None:
    path, value = EVIL[kind]
    assert len(json.dumps(value)) <= MAX_BYTES  # a payload as it may come
    environment = BoundedEnvironment()
    with pytest.raises(TooManyStepsError):
        environment.values(environment.compile(path), value)
    assert environment.steps < MOST_STEPS + MAX_BYTES


def test_after_some_payloads_it_is_not_tried_any_more_and_the_other_channel_goes_on() -> None:
    evil = Channel(Quantity.PUMP_POWER, "plug", value=DESCENTS)
    well = Channel(Quantity.PACK_CHARGE, "plug", value="$[0].charge")
    decoder = Decoder([replace(larkspur_site(), channels=(evil, well))])
    payload = json.dumps([{"charge": 71.0}, DEEP]).encode()
    said = []
    for number in range(TRIES + 1):
        found = decoder.decode("plug", payload, T0 + number)
        assert [reading.value for reading in found.readings] == [71.0]
        said += [refusal.reason for refusal in found.refusals]
    assert all("takes too many steps in this payload" in reason for reason in said[:TRIES])
    assert "is not tried until the site file is changed" in said[TRIES]


PATHS = (
    "$..*", "$..a", "$..[0]", "$..[?@.a]", "$[?@.a==$.b]", "$..[?@==$]", "$[?@ == 'ab']", "$..[?match(@,'a.')]",
    "$..[?search(@,'[.]')]", "$..[?search(@,'a.c')]", "$..[?count(@.*)>1]", "$..[::-1]", "$..a..b", "$[*].a",
    "$..[?@.a && !@.b || $.c]", "$..[?value(@..a)==1]", r'$..[?match(@,"a\\.c")]', "$..[?match(@, $.a)]",
    "$..[?search(@,'(?=a)')]",
)  # fmt: skip


def drawn(dice: random.Random, depth: int) -> Any:
    if depth == 0 or dice.random() < 0.3:
        return dice.choice([1, 2, "ab", "a.c", "a\nc", None, True])
    if dice.random() < 0.5:
        return [drawn(dice, depth - 1) for _ in range(dice.randint(0, 4))]
    return {name: drawn(dice, depth - 1) for name in dice.sample("abcd", dice.randint(0, 4))}


@pytest.mark.parametrize("path", PATHS)
def test_a_counted_path_selects_what_the_library_selects(path: str) -> None:
    """Against the reference library, over values of every shape; `(?=a)` is no I-Regexp (RFC 9485) and fits nothing."""
    dice = random.Random(path)
    for _ in range(150):
        value = drawn(dice, 4)
        assert compile_path(path)(value) == list(jsonpath_rfc9535.find(path, value).values())


def faulty(**fields: Any) -> str:
    content = tomllib.loads(site_toml(larkspur_site()))
    content["channels"][0] |= fields
    with pytest.raises(ConfigError) as error:
        site_from(content, "larkspur.toml")
    return str(error.value)


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"value": "$" + ".a" * LONGEST_PATH}, "it has more than 1000 characters"),
        ({"value": "$[?" + "@[?" * 240 + "@" + "]" * 241}, "nested too deeply"),
        ({"pattern": "(" * 490 + "a" + ")" * 490}, "nested too deeply"),
        ({"pattern": "(" + "a" * 2_000 + ")"}, "there should be at most 1000"),
    ],
)
def test_what_is_too_long_or_too_deep_is_refused_in_one_line(fields: dict[str, Any], says: str) -> None:
    said = faulty(**fields)
    assert says in said
    assert "\n" not in said
    assert len(said) < 600
