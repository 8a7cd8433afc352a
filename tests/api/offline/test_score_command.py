"""`outlast simulate` and `outlast score` as a person types them."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

from api.cli import main
from collector.config.site_file import load_site
from collector.decode.log import MessageLog
from collector.decode.payload import Decoder
from forecaster.twin.episode import Episode, episode
from forecaster.twin.styles import Style

SEED = "23"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("simulated") / "larkspur"
    assert main(["simulate", str(made), "--seed", SEED, "--style", "on-change", "--gzip"]) == 0
    return made


@pytest.fixture(scope="module")
def drawn() -> Episode:
    """What the log of that folder was made from."""
    return episode(int(SEED), (Style.ON_CHANGE,))


@pytest.mark.slow
def test_log_decodes_to_what_the_twin_measured(folder: Path, drawn: Episode) -> None:
    site = load_site(folder / "site.toml")
    decoder = Decoder([site])
    decoded = [
        decoder.decode(message.topic, message.payload, message.tst_ms)
        for message in MessageLog([folder / "log.jsonl.gz"])
    ]
    told = [reading for one in decoded for reading in one.readings]
    expected = drawn.readings
    assert [(r.quantity, r.subject, r.time_ms, r.arrived_ms) for r in told] == [
        (r.quantity, r.subject, r.time_ms, r.arrived_ms) for r in expected
    ]
    assert [r.value for r in told] == pytest.approx([r.value for r in expected], abs=6e-4)
    assert site.pack == drawn.site.pack
    assert site.pump == drawn.site.pump


def test_bad_messages_are_refused_and_change_nothing(tmp_path: Path) -> None:
    seed = next(s for s in range(40) if episode(s, (Style.POWER_COUNTER,)).troubles.bad > 0.0)
    assert main(["simulate", str(tmp_path), "--seed", str(seed), "--style", "power-counter"]) == 0
    decoder = Decoder([load_site(tmp_path / "site.toml")])
    messages = list(MessageLog([tmp_path / "log.jsonl"]))
    decoded = [decoder.decode(m.topic, m.payload, m.tst_ms) for m in messages]
    assert sum(bool(one.refusals) for one in decoded) >= 3
    assert sum(len(one.readings) for one in decoded) == len(episode(seed, (Style.POWER_COUNTER,)).readings)


def test_log_looks_like_the_client_wrote_it(folder: Path) -> None:
    with gzip.open(folder / "log.jsonl.gz", "rt", encoding="utf-8") as log:
        first = json.loads(next(log))
    assert list(first) == ["tst", "topic", "qos", "retain", "payloadlen", "payload"]
    assert first["tst"].endswith("Z+0000")
    assert first["payloadlen"] == len(first["payload"].encode())


def test_truth_is_told(folder: Path, drawn: Episode) -> None:
    truth = json.loads((folder / "truth.json").read_text())
    assert truth["style"] == "on-change"
    assert truth["parameters"]["pack"]["capacity_wh"] == drawn.parameters.pack.capacity_wh
    assert truth["ended_before_reserve"] == drawn.truth.censored
    assert len(truth["runs"]) > 5
    hours = [entry["hours"] for entry in truth["hours_remaining_at_charge"].values()]
    assert hours == sorted(hours, reverse=True)


@pytest.mark.slow
def test_own_log_is_scored(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["score", "--site", str(folder / "site.toml"), str(folder / "log.jsonl.gz"), "--json"]
    assert main(words) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["outages"] >= 1
    assert {"outlast", "15-minute mean", "slope of charge"} <= set(document["headline"])
    assert document["headline"]["outlast"]["over_oracle"] is None


@pytest.mark.slow
def test_simulated_outages_are_scored_alike_by_one_or_two_processes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["score", "--episodes", "2", "--seed", "101", "--styles", "counter-only"]
    picture = tmp_path / "score.svg"
    assert main([*words, "--workers", "1", "--json", "--picture", str(picture)]) == 0
    one = json.loads(capsys.readouterr().out)
    assert main([*words, "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == one
    assert one["headline"]["oracle"]["over_oracle"] == pytest.approx(1.0)
    drawn = ElementTree.fromstring(picture.read_text(encoding="utf-8"))
    assert drawn.tag.endswith("svg")
    assert main([*words, "--workers", "1", "--markdown"]) == 0
    assert "| oracle" in capsys.readouterr().out


@pytest.mark.parametrize(("words", "says"), [
    (["score", "--styles", "fast"], "no sampling style 'fast'"),
    (["score", "a.jsonl"], "a log needs its site file"),
    (["score", "--site", "site.toml"], "a site file without a log"),
    (["simulate", "x", "--style", "fast"], "no sampling style 'fast'"),
])  # fmt: skip
def test_wrong_use_is_one_line(words: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 2
    told = capsys.readouterr().err
    assert says in told
    assert told.count("\n") == 1
