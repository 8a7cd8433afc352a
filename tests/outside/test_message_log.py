"""Message logs as mosquitto_sub really writes them, with -F %j and %J."""

from __future__ import annotations

import gzip
import io
import subprocess
import sys
import time
from pathlib import Path

import pytest

from collector.decode.log import MessageLog
from forecaster.domain.errors import UsageError
from tests.engines import PATIENCE_S
from tests.servers import Mosquitto, eventually, mosquitto

__all__ = ["mosquitto"]

JSONS = [b'{"power":481.5,"on":true}', b"12.50", b'"text"', b"null", b"[1,2]", b"-3e2"]
REWRITTEN = [b'{"power":481.5,"on":true}', b"12.5", b"text", b"null", b"[1,2]", b"-300"]
"""With %J mosquitto_sub writes payloads anew as JSON: numbers may change their spelling, a JSON text becomes text."""

TEXTS = [*JSONS, 'füllstand 3 "cm" \\ /'.encode(), b"", b"ON", b"line\nbreak\ttab"]


def record(broker: Mosquitto, path: Path, form: str, payloads: list[bytes]) -> None:
    """Let mosquitto_sub write a log of some payloads, the first of which it gets from the broker's memory."""
    broker.publish([("cellar/0", payloads[0])], retain=True)
    command = ["mosquitto_sub", "-p", str(broker.port), "-t", "cellar/#", "-q", "1", "-F", form]
    with path.open("wb") as file:
        listener = subprocess.Popen([*command, "-C", str(len(payloads))], stdout=file)
        eventually(lambda: "cellar/#" in (broker.folder / "mosquitto.log").read_text(errors="replace"), "subscription")
        broker.publish([(f"cellar/{i}", payload) for i, payload in enumerate(payloads) if i])
        assert listener.wait(PATIENCE_S) == 0


@pytest.mark.parametrize(("form", "payloads", "logged"), [("%j", TEXTS, TEXTS), ("%J", JSONS, REWRITTEN)])
def test_a_log_that_mosquitto_sub_wrote(tmp_path: Path, form: str, payloads: list[bytes], logged: list[bytes]) -> None:
    broker = Mosquitto(tmp_path / "broker", more="log_type all\n")
    broker.start()
    try:
        record(broker, tmp_path / "log", form, payloads)
    finally:
        broker.kill()
    messages = list(MessageLog([tmp_path / "log"], strict=True))
    assert [m.topic for m in messages] == [f"cellar/{i}" for i in range(len(payloads))]
    assert [m.payload for m in messages] == logged
    assert [m.retained for m in messages] == [True] + [False] * (len(payloads) - 1)
    assert all(abs(m.tst_ms / 1000 - time.time()) < 600 for m in messages)


def line(tst: str, payload: str = '"1"') -> bytes:
    return b'{"tst":"%s","topic":"t","qos":0,"retain":0,"payloadlen":1,"payload":%s}\n' % (
        tst.encode(),
        payload.encode(),
    )


@pytest.mark.parametrize(
    ("tst", "ms"),
    [
        ("2026-03-03T04:05:06.123456Z+0000", 1_772_510_706_123),
        ("2026-03-02T22:05:06.123456Z-0600", 1_772_510_706_123),
        ("2026-03-03T04:05:06Z", 1_772_510_706_000),
        ("2026-03-03T05:05:06.5+01:00", 1_772_510_706_500),
    ],
)
def test_times_of_a_log(tmp_path: Path, tst: str, ms: int) -> None:
    """mosquitto_sub writes local time, a Z and the offset; plain RFC 3339 is taken too."""
    (tmp_path / "log").write_bytes(line(tst))
    assert [m.tst_ms for m in MessageLog([tmp_path / "log"])] == [ms]


def test_gzip_input_and_several_logs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.gz").write_bytes(gzip.compress(line("2026-03-03T04:05:06Z") * 3))
    (tmp_path / "b").write_bytes(b"\n" + line("2026-03-03T04:05:07Z"))
    piped = io.TextIOWrapper(io.BytesIO(gzip.compress(line("2026-03-03T04:05:08Z"))))
    monkeypatch.setattr(sys, "stdin", piped)
    assert len(list(MessageLog([tmp_path / "a.gz", str(tmp_path / "b"), "-"]))) == 5


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"nonsense\n", "line 2: not a logged message"),
        (b'{"topic":"t","payload":"1"}\n', "tst"),
        (line("2026-03-03T04:05:06"), "line 2: tst"),
        (b'{"tst":"2026-03-03T04:05:06Z","topic":"t","payload":"\\ud800"}\n', "line 2"),
        (b"\xff\xfe\n", "line 2"),
    ],
)
def test_a_bad_line_is_named(tmp_path: Path, content: bytes, says: str) -> None:
    (tmp_path / "log").write_bytes(line("2026-03-03T04:05:06Z") + content)
    with pytest.raises(UsageError, match=says):
        list(MessageLog([tmp_path / "log"], strict=True))


def test_a_log_broken_off_and_one_that_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "cut.gz").write_bytes(gzip.compress(line("2026-03-03T04:05:06Z") * 5000)[:-40])
    with pytest.raises(UsageError, match="broken off"):
        list(MessageLog([tmp_path / "cut.gz"], strict=True))
    with pytest.raises(UsageError, match="cannot be read"):
        list(MessageLog([tmp_path / "nothing"], strict=True))
