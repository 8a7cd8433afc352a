"""`outlast replay`: the same engine as live over a recorded log, however the log is given."""

from __future__ import annotations

import gzip
import io
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from api.cli import main
from collector.config.settings import site_toml
from collector.decode.payload import Decoder
from forecaster.domain.times import MINUTE_MS
from forecaster.engine import Engine
from forecaster.engine.document import document, time_text
from forecaster.twin.live import LiveSite, Scenario
from forecaster.twin.messages import SimulatedMessage, stamp
from tests.scenario import NOW_MS

HOURS = 0.75


class Recorded:
    """Three quarters of an hour of Larkspur Lane, the mains lost after a third of it."""

    def __init__(self, folder: Path) -> None:
        live = LiveSite(seed=5, start_ms=NOW_MS, scenario=Scenario(fail_after_s=900.0))
        self.site = live.site
        self.messages: list[SimulatedMessage] = live.step(HOURS * 3_600.0)
        self.site_file, self.log = folder / "larkspur.toml", folder / "log"
        self.site_file.write_text(site_toml(live.site), encoding="utf-8")
        lines = [
            json.dumps({"tst": stamp(m.at_ms), "topic": m.topic, "payload": m.payload.decode()}) for m in self.messages
        ]
        self.log.write_text("\n".join(lines) + "\n", encoding="utf-8")

    def at(self, at_ms: int, seed: int = 0) -> dict[str, Any]:
        """What an engine says at a time, that was given the messages before it one by one."""
        engine, decoder = Engine(self.site, seed=seed), Decoder([self.site])
        for message in self.messages:
            if message.at_ms <= at_ms:
                for reading in decoder.decode(message.topic, message.payload, message.at_ms).readings:
                    engine.update(reading)
        told: dict[str, Any] = json.loads(json.dumps(document(engine.forecast(at_ms))))
        return told


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    return Recorded(tmp_path_factory.mktemp("recorded"))


def replayed(capsys: pytest.CaptureFixture[str], recorded: Recorded, *words: str) -> list[dict[str, Any]]:
    code = main(["replay", "--site", str(recorded.site_file), *words])
    told = capsys.readouterr()
    assert (code, told.err) == (0, "")
    return [json.loads(line) for line in told.out.splitlines()]


def times(documents: Sequence[dict[str, Any]]) -> list[str]:
    return [document["issued_at"] for document in documents]


def test_it_is_what_the_engine_says_of_the_messages_up_to_then(
    recorded: Recorded, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before the mains failed, after it, and at the end; what came later plays no part."""
    asked = [NOW_MS + minutes * MINUTE_MS for minutes in (12, 30)]
    words = [word for at_ms in asked for word in ("--at", time_text(at_ms))]
    found = replayed(capsys, recorded, *words, str(recorded.log))
    assert found == [recorded.at(at_ms) for at_ms in asked]
    assert [document["supply"] for document in found] == ["mains", "pack"]


def test_alone_it_tells_the_end_of_the_log_from_gzip_and_from_input(
    recorded: Recorded, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = replayed(capsys, recorded, str(recorded.log))
    assert plain == [recorded.at(recorded.messages[-1].at_ms)]
    packed = tmp_path / "log.gz"
    packed.write_bytes(gzip.compress(recorded.log.read_bytes()))
    assert replayed(capsys, recorded, str(packed)) == plain
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(recorded.log.read_bytes())))
    assert replayed(capsys, recorded, "-") == plain


def test_every_so_often_on_whole_steps(recorded: Recorded, capsys: pytest.CaptureFixture[str]) -> None:
    found = replayed(capsys, recorded, "--every", "15m", str(recorded.log))
    step_ms = 15 * MINUTE_MS
    first_ms = -(-recorded.messages[0].at_ms // step_ms) * step_ms
    expected = list(range(first_ms, recorded.messages[-1].at_ms + 1, step_ms))
    assert times(found) == [time_text(at_ms) for at_ms in expected]
    assert found[-1] == recorded.at(expected[-1])


def test_a_log_of_other_topics_is_told(recorded: Recorded, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "other").write_text('{"tst":"2026-03-03T04:05:06Z","topic":"other","payload":"1"}\n', encoding="utf-8")
    assert main(["replay", "--site", str(recorded.site_file), str(tmp_path / "other")]) == 0
    assert "none of the 1 messages is of a channel" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--every", "soon", "LOG"), "'soon' is not a duration"),
        (("--every", "0s", "LOG"), "has no length"),
        (("--at", "yesterday", "LOG"), "yesterday"),
        (("/nowhere.log",), "/nowhere.log"),
        (("EMPTY",), "the log holds no message"),
        ((), "LOG"),
    ],
)
def test_wrong_use_is_one_line(
    recorded: Recorded, capsys: pytest.CaptureFixture[str], tmp_path: Path, words: tuple[str, ...], says: str
) -> None:
    (tmp_path / "empty").touch()
    places = {"LOG": str(recorded.log), "EMPTY": str(tmp_path / "empty")}
    code = main(["replay", "--site", str(recorded.site_file), *(places.get(word, word) for word in words)])
    told = capsys.readouterr()
    assert (code, told.out, told.err.count("\n")) == (2, "", 1)
    assert says in told.err


def test_a_log_that_an_outage_cut_still_tells(
    recorded: Recorded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A line of nonsense in the middle and half a line at the end: the same forecast, and a count on stderr."""
    whole = recorded.log.read_bytes().splitlines(keepends=True)
    middle = len(whole) // 2
    cut = tmp_path / "cut"
    cut.write_bytes(b"".join([*whole[:middle], b"\x00\xffnonsense\n", *whole[middle:], whole[0][:20]]))
    packed = tmp_path / "cut.gz"
    packed.write_bytes(gzip.compress(recorded.log.read_bytes())[:-6])
    (expected,) = replayed(capsys, recorded, str(recorded.log))
    for log, said in ((cut, "2 lines were passed over"), (packed, "a line was passed over")):
        assert main(["replay", "--site", str(recorded.site_file), str(log)]) == 0
        told = capsys.readouterr()
        assert json.loads(told.out) == expected
        assert said in told.err
        assert main(["replay", "--strict", "--site", str(recorded.site_file), str(log)]) == 2
        assert capsys.readouterr().err.count("\n") == 1
