"""Names with what nobody sees: refused in one line where somebody writes, and shown with a mark everywhere else."""

from __future__ import annotations

import json
import tomllib
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import regex
from hypothesis import given
from hypothesis import strategies as st

from collector.config.set_aside import lenient
from collector.config.settings import load_installation
from collector.config.site_file import site_from, site_toml
from collector.decode.discovery import Discovery
from collector.decode.jsonpath import compile_path
from forecaster.domain.errors import ConfigError, UsageError
from forecaster.domain.names import hidden, legible
from forecaster.texts.reading import readable_line
from forecaster.twin.live import larkspur_site
from tests.collector.examples import installation_in

# The Unicode Standard: bidirectional controls (UAX 9), zero-width signs, line separators, fillers, tags, controls
SIGNS = "\u202e\u2066\u200f\u061c\u200b\u2060\ufeff\u00ad\u2028\u0085\u009b\x1b\x7f\n\u3164\u034f\ue000\U000e0041"

WELL = [
    "Larkspur Lane cellar", "Żółta piwnica", "地下室", "قبو المنزل", "מרתף", "می\u200cخواهم", "क्\u200dष", "Pump 1️⃣",
    "⚡️", "👩\u200d🔧 Ada", "½ cellar – left", "O’Neill",
]  # fmt: skip


def content() -> dict[str, Any]:
    return tomllib.loads(site_toml(larkspur_site())) | {
        "contacts": [{"name": "owner", "email": "owner@example.org"}], "loads": [{"name": "router", "watts": 12}],
    }  # fmt: skip


def named(sign: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """A site file with the sign in each of its names, one at a time, and where that is."""
    bad = f"ow{sign}ner"
    yield "name", content() | {"name": bad}
    yield "loads[0].name", content() | {"loads": [{"name": bad, "watts": 12}]}
    yield "contacts[0].name", content() | {"contacts": [{"name": bad, "email": "owner@example.org"}]}
    yield "groups[0]", content() | {"groups": [bad]}
    for key in ("topic", "value"):
        yield f"channels[0].{key}", _channel(**{key: f"$['{bad}']"})


def _channel(**fields: str) -> dict[str, Any]:
    found = content()
    found["channels"][0] |= fields
    return found


@pytest.mark.parametrize("sign", SIGNS, ids=lambda sign: f"U+{ord(sign):04X}")
def test_a_name_with_what_nobody_sees_is_refused_in_one_line(sign: str) -> None:
    for key, faulty in named(sign):
        with pytest.raises(ConfigError) as error:
            site_from(faulty, "larkspur.toml")
        said = str(error.value)
        assert error.value.key.removesuffix(".value") in key
        assert f"it holds a sign that nobody sees, U+{ord(sign):04X}" in said
        assert hidden(said) is None
    with pytest.raises(UsageError, match=r"nobody sees, U\+"):
        readable_line(f"ow{sign}ner")


@pytest.mark.parametrize("sign", ["\u202e", "\x1b", "\n", "\u200b"])
def test_a_house_with_such_a_name_goes_on_and_says_so(sign: str) -> None:
    """Nobody is left untold because of a name: it is marked, a line says which, and what refers to it still does."""
    for key, faulty in named(sign):
        if key.startswith("channels"):
            continue
        site = lenient(faulty | {"away": {"from": "2026-03-01", "until": "2026-03-02"}}, "larkspur.toml")
        assert len(site.contacts) == len(site.loads) == 1
        assert [line for line in site.set_aside if key in line and "nobody sees" in line]
        assert all(
            hidden(name) is None for name in (site.name, site.contacts[0].name, site.loads[0].name, *site.groups)
        )
    faulty = content() | {"loads": [{"name": f"rou{sign}ter", "watts": 12}]}
    faulty["channels"].append({"quantity": "load_power", "of": f"rou{sign}ter", "topic": "cellar/router"})
    site = lenient(faulty, "larkspur.toml")
    assert site.channels[-1].of == site.loads[0].name == "rou\ufffdter"


@pytest.mark.parametrize("name", WELL)
def test_names_of_all_scripts_are_taken_as_they_are(name: str) -> None:
    assert site_from(content() | {"name": name}, "larkspur.toml").name == name
    assert legible(name) == name


@given(st.text())
def test_what_is_legible_has_no_control_and_reads_back(text: str) -> None:
    """Against the property tables of another library; as text of JSON an escape means the sign that it stands for."""
    shown = legible(text)
    hiding = r"[\p{Cc}\p{Zl}\p{Zp}\p{Cs}\p{Bidi_Control}\u200b\u2060-\u2064\ufeff]"
    assert not regex.search(hiding, shown.replace("\t", " "))
    assert legible(shown) == shown
    if not any(sign in '"\\' or unicodedata.category(sign) == "Cs" for sign in text):
        assert json.loads(f'"{shown}"', strict=False) == text


@pytest.mark.parametrize(
    ("name", "value"), [("BROKER__USERNAME", "out\u202elast"), ("MAIL__HOST", "mail\u200b.example.org")]
)
def test_settings_and_the_environment_too(
    name: str, value: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = installation_in(tmp_path, "mqtt://127.0.0.1:1")
    monkeypatch.setenv(f"OUTLAST_{name}", value)
    with pytest.raises(ConfigError, match="nobody sees") as error:
        load_installation(folder)
    assert name in str(error.value)
    assert hidden(str(error.value)) is None


def test_what_strangers_publish_is_legible_in_discovery() -> None:
    """A path keeps its meaning: the escape in it is that of RFC 9535. A topic that no channel may name offers none."""
    found = Discovery()
    body = {"po\u202ewer": 5, "text": "\x1b[2J\u2028on"}
    found.hear("cellar/plug", json.dumps(body).encode(), False)
    found.hear("cellar/\u202egulp\x1b[2J", b'{"power": 5}', False)
    found.hear("pack", json.dumps([{"n": "so\u200bc", "v": 1}]).encode(), False)
    heard = {topic.topic: topic for topic in found.topics()}
    assert heard["cellar/\\u202egulp\\u001b[2J"].fields == heard["pack"].fields == ()
    paths = [field.path for field in heard["cellar/plug"].fields if field.path is not None]
    assert all(hidden(path) is None for path in paths)
    assert [compile_path(path)(body) for path in paths] == [[5], ["\x1b[2J\u2028on"]]
    assert all(hidden(value) is None for field in heard["cellar/plug"].fields for value in field.values)
