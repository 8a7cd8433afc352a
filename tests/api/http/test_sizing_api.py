"""Sizing and discharge tests over HTTP and on the command line: the same documents, the same errors."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.cli import main
from api.process.services import Services
from collector.clock import HeldClock
from collector.config.settings import load_installation
from collector.store.open import open_ledger, open_store
from tests.browser.serving import serving

NOW_MS = 1_772_550_000_000

SITE = """
id = "larkspur"
name = "Larkspur Lane cellar"
timezone = "America/Chicago"
latitude = 41.9
longitude = -87.7
[pump]
rated_voltage_v = 115
rated_current_a = 7.0
rated_power_w = 800
[pack]
capacity_wh = 720
continuous_w = 900
surge_w = 1800
reserve_percent = 10
[[channels]]
quantity = "pump_power"
topic = "cellar/plug"
[[channels]]
quantity = "pack_charge"
topic = "cellar/pack"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "sites").mkdir()
    (tmp_path / "outlast.toml").write_text("")
    (tmp_path / "sites" / "larkspur.toml").write_text(SITE)
    return tmp_path


@pytest.fixture
def client(folder: Path) -> Iterator[httpx.Client]:
    installation = load_installation(folder)
    store, ledger = open_store(installation.readings_url), open_ledger(installation.ledger_url)
    services = Services(installation, store, ledger, HeldClock(NOW_MS))
    with serving(services) as page, httpx.Client(base_url=page.url, timeout=60.0) as served:
        yield served
    services.close()


def ask(client: httpx.Client, **wish: Any) -> dict[str, Any]:
    answer = client.post("/api/v1/sizing", json=wish)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


RHYTHM = {"cycles_per_hour": 20, "run_s": 10}


def test_api_and_command_give_the_same_document(
    client: httpx.Client, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    over_http = ask(client, site="larkspur", **RHYTHM)
    site_file = str(folder / "sites" / "larkspur.toml")
    code = main(["size", site_file, "--cycles-per-hour", "20", "--run-s", "10", "--json"])
    by_command = json.loads(capsys.readouterr().out)
    assert over_http == by_command
    assert code == (1 if "no" in (by_command["can_run"], by_command["can_start"]) else 0)
    assert by_command["simple_estimate_h"] == pytest.approx(16.2)  # 720 Wh, 800 W, 20 runs of 10 s: common practice


def test_a_described_site_needs_no_installation(client: httpx.Client) -> None:
    described = {
        "pump": {"rated_voltage_v": 230, "horsepower": 0.5},
        "pack": {"capacity_wh": 3000, "continuous_w": 3000, "surge_w": 8000, "surge_s": 3, "output_voltage_v": 230},
    }
    found = ask(
        client, site=described, packs={"small": {"capacity_wh": 500, "continuous_w": 300}}, for_hours=12, **RHYTHM
    )
    assert (found["can_run"], found["can_start"]) == ("yes", "yes")
    assert [pack["name"] for pack in found["packs"]] == ["this pack", "small"]
    assert found["capacity_needed"]["probability"] == 0.9
    loads = ask(
        client, site={"pack": {"capacity_wh": 2000, "continuous_w": 1000}}, pump=False,
        loads=[{"name": "router", "watts": 12}],
    )  # fmt: skip
    assert loads["can_run"] == "yes"


@pytest.mark.parametrize(
    ("wish", "names"),
    [
        ({"site": "larkspur", "cycles_per_hour": 20, "run_s": 0}, "run_s"),
        ({"site": "larkspur", "cycles_per_hour": -1, "run_s": 10}, "cycles_per_hour"),
        ({"site": "larkspur", "cord": {"awg": 13, "length_m": 5}, **RHYTHM}, "cord_awg"),
        ({"site": {"pump": {"rated_voltage_v": 120, "horsepower": 1}}, **RHYTHM}, "pack"),
        (
            {
                "site": {
                    "pump": {"rated_voltage_v": 120, "horsepower": 0.5},
                    "pack": {"capacity_wh": 1000, "output_voltage_v": 230},
                },
                **RHYTHM,
            },
            "pump.rated_voltage_v",
        ),
        ({"site": "larkspur", "surprise": 1}, "surprise"),
    ],
)
def test_wrong_use_is_a_problem_that_names_the_field(client: httpx.Client, wish: dict[str, Any], names: str) -> None:
    answer = client.post("/api/v1/sizing", json=wish)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert names in answer.json()["detail"]


def test_no_such_site(client: httpx.Client) -> None:
    assert client.post("/api/v1/sizing", json={"site": "elsewhere"}).status_code == 404


def test_discharge_tests_over_http(client: httpx.Client) -> None:
    at = "/api/v1/sites/larkspur/discharge-tests"
    assert client.get(at).json() == {"site": "larkspur", "due": None, "tests": [], "cursor": None, "over_years": None}
    below = client.post(at, json={"until_percent": 5})
    assert below.status_code == 422
    assert "until_percent" in below.json()["detail"]
    started = client.post(at, json={"until_percent": 60})
    assert started.status_code == 201
    test = started.json()
    assert test["state"] == "waiting"
    assert client.post(at, json={}).status_code == 409
    assert client.get(at).json()["tests"][0]["id"] == test["id"]
    assert client.post(f"{at}/{test['id']}/finish").status_code == 202
    assert client.post(f"{at}/nothing/finish").status_code == 404


def test_discharge_and_report_commands(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def run(*words: str) -> tuple[int, str, str]:
        code = main([*words, "--config", str(folder)])
        said = capsys.readouterr()
        return code, said.out, said.err

    code, out, _ = run("discharge", "show", "larkspur")
    assert (code, "No discharge test" in out) == (0, True)
    code, _, err = run("discharge", "start", "larkspur", "--until", "yesterday")
    assert (code, "--until" in err, err.count("\n")) == (2, True, 1)
    code, out, _ = run("discharge", "start", "larkspur", "--for-hours", "6", "--json")
    assert (code, json.loads(out)["state"]) == (0, "waiting")
    code, _, err = run("discharge", "start", "larkspur")
    assert (code, "running already" in err) == (2, True)
    code, out, _ = run("discharge", "show", "larkspur")
    assert (code, "Waiting" in out) == (0, True)
    assert run("discharge", "finish", "larkspur")[0] == 0
    code, _, err = run("discharge", "finish", "nowhere")
    assert (code, "larkspur" in err) == (2, True)
    code, out, _ = run("report", "larkspur", "--json")
    assert (code, json.loads(out)["site"]) == (0, "larkspur")
    code, out, _ = run("report")
    assert (code, "Outages: none." in out) == (0, True)
    assert run("report", "--days", "0")[0] == 2


@pytest.mark.parametrize(
    "words",
    [
        ("--cycles-per-hour", "20", "--run-s", "0"),
        ("--cord-awg", "14"),
        ("--pipe-bore-m", "0.04"),
        ("--load", "router"),
        ("--load", "router:many"),
        ("--pack", "missing.toml"),
    ],
)
def test_wrong_use_of_the_command_is_one_line(
    folder: Path, words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["size", str(folder / "sites" / "larkspur.toml"), *words]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1


def test_size_as_text_with_everything(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site_file = str(folder / "sites" / "larkspur.toml")
    other = folder / "other.toml"
    other.write_text("[pack]\ncapacity_wh = 2048\ncontinuous_w = 2000\nsurge_w = 6000\nsurge_s = 5\nprice = 900\n")
    words = [
        "size", site_file, "--cycles-per-hour", "20", "--run-s", "10", "--started", "--pack", str(other),
        "--load", "router:12", "--load", "refrigerator:150:1.5:1200", "--for-hours", "24", "--extra-wh", "1000",
        "--idle-w", "4", "--sun-w", "200", "--cord-awg", "12", "--cord-length-m", "10", "--temperature-c", "5",
    ]  # fmt: skip
    assert main(words) == 1  # 720 Wh do not last the 24 h asked
    out = capsys.readouterr().out
    for part in (
        "No: this pack does not carry",
        "Starts: unproven",
        "refrigerator",
        "Keeps up: yes",
        "Side by side",
        "What if",
        "To last 24 h",
        "The arithmetic",
        "Mind",
    ):
        assert part in out
