"""`outlast check` against a real broker, and weather from a real HTTP server."""

from __future__ import annotations

import json
import subprocess
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
from sqlalchemy import text

from api.cli import main
from api.commands.check import in_clear
from collector.config.settings import load_installation, site_toml
from collector.store.ledger import SqlLedger
from collector.store.open import open_ledger
from collector.store.queue_schema import enter
from collector.weather import WeatherWorker
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import WeatherService
from forecaster.domain.studyjobs import StudyJob, StudyPriority
from forecaster.twin.live import LiveSite, larkspur_site
from tests.contracts.ledger_versions import make_older
from tests.engines import ROOT, free_port, running_postgres
from tests.scenario import NOW_MS, services
from tests.servers import Mosquitto, mosquitto

__all__ = ["mosquitto"]


def installation(folder: Path, port: int) -> LiveSite:
    live = LiveSite(seed=3, start_ms=NOW_MS)
    (folder / "sites").mkdir()
    (folder / "sites" / "larkspur.toml").write_text(site_toml(live.site), encoding="utf-8")
    (folder / "outlast.toml").write_text(f'[broker]\nurl = "mqtt://127.0.0.1:{port}"\n', encoding="utf-8")
    return live


def newest(live: LiveSite) -> dict[str, bytes]:
    return {message.topic: message.payload for message in live.step(6.1 * 3_600.0)}


def test_check_tells_what_speaks_what_is_silent_and_what_is_not_understood(
    tmp_path: Path, mosquitto: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    """Values the broker remembers carry their own time, so they are known for what they are."""
    live = installation(tmp_path, mosquitto.port)
    last = newest(live)
    silent, bad = sorted(last)[:2]
    mosquitto.publish(
        [(topic, b"not json" if topic == bad else body) for topic, body in last.items() if topic != silent],
        retain=True,
    )
    assert main(["check", "--config", str(tmp_path), "--seconds", "2", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    verdicts = {channel["topic"]: channel["verdict"] for channel in told["channels"]}
    assert verdicts.pop(silent) == "silent"
    assert verdicts.pop(bad) == "refused"
    assert set(verdicts.values()) == {"ok"}
    mosquitto.publish([(topic, last[topic]) for topic in (silent, bad)], retain=True)
    assert main(["check", "--config", str(tmp_path), "--seconds", "5"]) == 0
    assert capsys.readouterr().out.count("\nok ") == len(live.site.channels) - 1


def test_check_says_how_the_queue_of_studies_stands(
    tmp_path: Path, mosquitto: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    """In: three studies queued, one of them given up by its worker. Out: two wait, one failed, and that is not well."""
    live = installation(tmp_path, mosquitto.port)
    mosquitto.publish(list(newest(live).items()), retain=True)
    words = ["check", "--config", str(tmp_path), "--seconds", "5"]
    with running_postgres() as postgres:
        url = postgres.empty_database("checked")
        with (tmp_path / "outlast.toml").open("a") as settings:
            settings.write(f'[store]\nledger = "{url}"\n')
        make_older(url, "10")
        assert main(words) == 0, "what a start mends is no fault"
        assert "LEDGER the ledger is of an older release" in capsys.readouterr().out
        with closing(open_ledger(postgres.empty_database("checked"))) as ledger:
            assert isinstance(ledger, SqlLedger)
            assert main(words) == 0
            assert "QUEUE" not in capsys.readouterr().out, "there is none yet"
            queue = ledger.open_queue()
            jobs = [StudyJob(site, NOW_MS, StudyPriority.DAILY) for site in ("larkspur", "elder", "hazel")]
            assert ledger.queue_studies(queue, jobs) == 3
            assert main(words) == 0
            assert "QUEUE of studies: 3 wait" in capsys.readouterr().out
            with ledger.engine.begin() as connection:
                enter(connection, queue)
                given_up = "UPDATE procrastinate_jobs SET status = 'failed' WHERE queueing_lock = 'elder'"
                connection.execute(text(given_up))
        assert main(words) == 1
        said = capsys.readouterr().out
        assert "QUEUE of studies: 2 wait" in said
        assert "0 in hand, 1 failed, 0 at work on it" in said
        assert main([*words, "--json"]) == 1
        told = json.loads(capsys.readouterr().out)
        assert (told["studies"]["waiting"], told["studies"]["failed"]) == (2, 1)
        assert told["studies"]["oldest_s"] >= 0.0
        postgres.stop()
        assert main(words) == 1
        assert "LEDGER" in capsys.readouterr().out


FAULTS = """[[channels]]
quantity = "water_level"
topic = "cellar/level"
unit = "furlongs per fortnight"
[[contacts]]
name = "Robin"
email = "robin at example.org"
"""


def test_check_names_what_is_set_aside_and_who_has_no_contact(
    tmp_path: Path, mosquitto: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    """In: a file that is no TOML, one with a channel and a contact that cannot be read, one without a contact."""
    installation(tmp_path, mosquitto.port)
    sites = tmp_path / "sites"
    text = (sites / "larkspur.toml").read_text()
    elder = text.replace('id = "larkspur"', 'id = "elder"')
    (sites / "elder.toml").write_text(f"{elder}\n{FAULTS}")
    (sites / "oak.toml").write_text("id = ")
    assert main(["check", "--config", str(tmp_path), "--seconds", "0.2"]) == 1
    said = capsys.readouterr().out.splitlines()
    assert [line for line in said if line.startswith("SET ASIDE oak: ") and "oak.toml" in line]
    assert [line for line in said if line.startswith("SET ASIDE elder: ") and "furlongs" in line]
    assert [line for line in said if line.startswith("NOT TOLD elder: ") and "robin at example.org" in line]
    assert [line.partition(":")[0] for line in said if line.startswith("NOBODY ")] == [
        "NOBODY elder",
        "NOBODY larkspur",
    ]
    assert main(["check", "--config", str(tmp_path), "--seconds", "0.2", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["ok"] is False
    assert {(one["site"], one["verdict"]) for one in told["set_aside"]} == {
        ("oak", "set-aside"),
        ("elder", "set-aside"),
    }
    assert told["without_contact"] == ["elder", "larkspur"]


def test_check_says_where_a_certificate_stands_beside_an_open_line(
    tmp_path: Path, mosquitto: Mosquitto, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    installation(tmp_path, mosquitto.port)
    monkeypatch.setenv("OUTLAST_BROKER__CA_FILE", "ca.crt")
    monkeypatch.setenv("OUTLAST_MAIL__CA_FILE", "ca.crt")
    monkeypatch.setenv("OUTLAST_MAIL__SECURITY", "none")
    assert main(["check", "--config", str(tmp_path), "--seconds", "0.2"]) == 1
    said = capsys.readouterr().out.splitlines()
    assert [line.split(" is set")[0] for line in said if "IN CLEAR" in line] == [
        "IN CLEAR broker.ca_file",
        "IN CLEAR mail.ca_file",
    ]
    monkeypatch.setenv("OUTLAST_MAIL__SECURITY", "starttls")
    main(["check", "--config", str(tmp_path), "--seconds", "0.2", "--json"])
    assert json.loads(capsys.readouterr().out)["in_clear"] == ["broker"]


def test_a_further_broker_in_clear_is_told(tmp_path: Path) -> None:
    installation(tmp_path, free_port())
    broker = '[broker]\nca_file = "ca.crt"\nurl = "mqtts://x"\nmore_urls = ["{}"]\n'
    told = []
    for further in ("mqtt://y", "mqtts://y"):
        (tmp_path / "outlast.toml").write_text(broker.format(further))
        told.append(in_clear(load_installation(tmp_path)))
    assert told == [["broker"], []]


def test_check_without_a_broker_is_a_negative_finding_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    port = free_port()
    installation(tmp_path, port)
    assert main(["check", "--config", str(tmp_path), "--seconds", "1"]) == 1
    told = capsys.readouterr()
    assert (told.out, told.err.count("\n")) == ("", 1)
    assert f"no broker answers at 127.0.0.1:{port}" in told.err


@contextmanager
def weather_service(answers: list[tuple[int, bytes]]) -> Iterator[str]:
    """A JSON service that gives some answers, one a request; its address."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            status, body = answers.pop(0)
            self.send_response(status)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:
            """Quiet."""

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/hourly"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def test_rain_to_come_is_polled_and_stored(tmp_path: Path) -> None:
    """Hours that have begun or are not known are left out; trouble is told, and goes with the next answer."""
    hours = ["2026-03-03T11:00", "2026-03-03T12:00", "2026-03-03T13:00", "2026-03-03T14:00"]
    good = json.dumps({"hourly": {"time": hours, "rain": [9.0, 0.1, None, 0.2]}}).encode()
    answers = [(503, b"later"), (200, b"<html>"), (200, b'{"hourly": {"time": ["x"], "rain": [1]}}'), (200, good)]
    with weather_service(answers) as url:
        weather = WeatherService(url=url, time="$.hourly.time[*]", rain="$.hourly.rain[*]", unit="inch")
        site = replace(larkspur_site(), weather=weather)
        held = services(tmp_path, {site.id: site})
        told: list[int] = []
        worker = WeatherWorker({site.id: site}, held.store, held.clock, lambda: told.append(1))
        for _ in range(3):
            worker.poll(site)
            assert site.id in worker.failing()
        assert (held.store.count(), told) == (0, [])
        worker.poll(site)
        points = held.store.series(site.id, Quantity.RAIN_EXPECTED, NOW_MS, NOW_MS + 86_400_000)
        worker.stop()
        held.close()
    assert worker.failing() == {}
    assert told == [1]
    assert [point.mean for point in points] == pytest.approx([2.54, 5.08])


def test_the_environment_script_names_a_wrong_word() -> None:
    done = subprocess.run(
        [str(ROOT / "deploy" / "environment"), "tets"], capture_output=True, text=True, check=False, timeout=60
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "environment: tets is none of run, test, generator and quick\n"
