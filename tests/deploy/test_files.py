"""Every file under deploy/ is read by the program it is for."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from tests.deploy.proxy import ShippedProxy
from tests.engines import PATIENCE_S, ROOT, answers, free_port, wait_until

DEPLOY = ROOT / "deploy"
UNITS = sorted((DEPLOY / "systemd").iterdir())
SERVICES = [unit for unit in UNITS if unit.suffix == ".service"]
SCRIPTS = [
    path for path in sorted(DEPLOY.iterdir()) if path.is_file() and path.read_bytes().startswith(b"#!/usr/bin/env bash")
]


def told(command: list[str]) -> subprocess.CompletedProcess[str]:
    """Run a program and keep what it says."""
    return subprocess.run(command, check=False, capture_output=True, text=True)


def test_units_are_clean(tmp_path: Path) -> None:
    """`systemd-analyze verify` has nothing to say; its only wish is that the program be there, so a stand-in is."""
    program = tmp_path / "outlast"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    for unit in UNITS:
        text = unit.read_text().replace("/opt/outlast/current/bin/outlast", str(program))
        (tmp_path / unit.name.replace("@.", "@2-5.")).write_text(text)
    placed = sorted(str(path) for path in tmp_path.iterdir() if path.suffix in (".service", ".timer"))
    done = told(["systemd-analyze", "verify", "--man=no", *placed])
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("unit", SERVICES, ids=lambda unit: unit.name)
def test_services_are_shut_in(unit: Path) -> None:
    """systemd's own exposure score, 0 best to 10 worst; below 2 is what it calls OK."""
    command = ["systemd-analyze", "security", "--offline=true", "--no-pager", str(unit)]
    done = told(command)
    score = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert score is not None, done.stdout + done.stderr
    assert float(score[1]) < 2.0


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda script: script.name)
def test_scripts_parse(script: Path) -> None:
    assert os.access(script, os.X_OK)
    assert told(["bash", "-n", str(script)]).returncode == 0


def test_nginx_takes_the_site(tmp_path: Path) -> None:
    """nginx itself checks outlast.conf, with a certificate and ports of the test's own."""
    proxy = ShippedProxy(tmp_path)
    proxy.prepare()
    done = told(["nginx", "-t", "-q", "-c", str(proxy.config), "-e", str(tmp_path / "log")])
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("name", ["compose.yaml", "compose-members.yaml"])
def test_compose_names_what_exists(name: str) -> None:
    """The compose file parses, its builds and mounted files exist, and every volume it uses is declared."""
    compose = yaml.safe_load((DEPLOY / name).read_text())
    builds = [service["build"] for service in compose["services"].values() if "build" in service]
    assert builds
    assert all((DEPLOY / build["context"] / build["dockerfile"]).is_file() for build in builds)
    for service in compose["services"].values():
        for mount in service["volumes"]:
            source = mount.split(":")[0]
            if source.startswith("."):
                assert (DEPLOY / source).is_file(), source
            elif not source.startswith("/"):
                assert source in compose["volumes"], source


@pytest.mark.parametrize(("name", "conf"), [("compose.yaml", "house"), ("compose-members.yaml", "office")])
def test_the_broker_that_compose_names_listens_there(name: str, conf: str) -> None:
    """On an address that other containers reach: a listener on loopback is the broker's container alone."""
    named = re.search(r'"mqtts://broker:(\d+)"', (DEPLOY / name).read_text())
    assert named is not None
    assert f"listener {named[1]}" in (DEPLOY / "mosquitto" / f"{conf}.conf").read_text().splitlines()


def test_members_in_containers_are_two_of_each_with_a_disk_of_their_own() -> None:
    """A name and what waits for InfluxDB are kept on the disk of a member: two must not share it."""
    services = yaml.safe_load((DEPLOY / "compose-members.yaml").read_text())["services"]
    workers = [service for service in services.values() if "--join" in service.get("command", ())]
    roles = ["collect", "collect", "forecast", "forecast", "study", "study"]
    assert sorted(worker["command"][0] for worker in workers) == roles
    assert len({worker["volumes"][-1] for worker in workers}) == len(workers)
    assert all("livez" in worker["healthcheck"]["test"][-1] for worker in workers)
    servers = [service for service in services.values() if service.get("command", [""])[0] == "serve"]
    assert len(servers) == len({server["ports"][0] for server in servers}) == 2
    assert all("readyz" in server["healthcheck"]["test"][-1] for server in servers)
    needed = workers[0]["depends_on"]
    healthy = {name for name, how in needed.items() if how["condition"] == "service_healthy"}
    assert healthy == {name for name in needed if "healthcheck" in services[name]} == {"postgres", "influxdb"}


def test_rolling_goes_through_every_container_of_the_program() -> None:
    """By default `roll` ends and starts all that are built here, and no other."""
    services = yaml.safe_load((DEPLOY / "compose-members.yaml").read_text())["services"]
    named = re.search(r"services=\((\w[\w -]*)\)", (DEPLOY / "roll").read_text())
    assert named is not None
    assert sorted(named[1].split()) == sorted(name for name, service in services.items() if "build" in service)


def test_container_file_copies_what_exists() -> None:
    lines = (DEPLOY / "Containerfile").read_text().splitlines()
    sources = [line.split()[1] for line in lines if line.startswith("COPY")]
    assert sources == ["deploy/requirements.txt", "."]
    assert all((ROOT / source).exists() for source in sources)


def test_the_user_in_containers_is_the_one_whom_folders_belong_to() -> None:
    """A password that the container's user cannot read is none, and a number that the image chooses nobody can give."""
    user = re.search(r"useradd --system --uid (\d+)", (DEPLOY / "Containerfile").read_text())
    assert user is not None
    for name in ("compose.yaml", "compose-members.yaml"):
        assert f"chown -R {user[1]}:{user[1]} /etc/outlast" in (DEPLOY / name).read_text()


def test_an_image_has_none_of_the_environments_of_a_checkout() -> None:
    """They are gigabytes, and settings of whoever builds it."""
    left_out = (ROOT / ".dockerignore").read_text().split()
    assert {".git", ".venv*"} <= set(left_out)


def test_ready_waits_for_the_server(tmp_path: Path) -> None:
    """ready.py reads the address from outlast.toml; nobody there is 1 within the time, an answering server 0."""
    port = free_port()
    (tmp_path / "outlast.toml").write_text(f'[http]\nhost = "0.0.0.0"\nport = {port}\n')
    ask = [sys.executable, str(DEPLOY / "ready.py"), str(tmp_path)]
    silent = told([*ask, "0.6"])
    assert silent.returncode == 1
    assert f"http://127.0.0.1:{port}/readyz did not answer" in silent.stderr
    (tmp_path / "readyz").write_text("ready")
    serve = [sys.executable, "-m", "http.server", str(port), "--bind", "127.0.0.1", "--directory", str(tmp_path)]
    server = subprocess.Popen(serve, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        wait_until(lambda: answers(port), "http.server")
        assert told([*ask, "30"]).returncode == 0
    finally:
        server.terminate()
        server.wait(PATIENCE_S)
