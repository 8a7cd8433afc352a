"""A broker section that cannot be used is named for what it is, by every command and by set-up."""

from __future__ import annotations

import gc
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import psutil
import pytest

from api.deliver.brokerlink import BrokerLink, Will
from collector.config.settings import Broker, site_toml
from collector.mqtt.connection import client
from collector.mqtt.embedded import EmbeddedBroker
from collector.mqtt.listening import listen
from forecaster.domain.errors import ConfigError, SessionError
from forecaster.twin.live import larkspur_site
from tests.brokers import make_certificates
from tests.collector.examples import discover
from tests.servers import Mosquitto, eventually


def missing(path: Path) -> None:
    """Nothing is there."""
    assert not path.exists()


def empty(path: Path) -> None:
    """A file without a certificate."""
    path.write_bytes(b"")


def nonsense(path: Path) -> None:
    """A file that is no PEM."""
    path.write_bytes(b"-----BEGIN CERTIFICATE-----\n\xff\x00 not base64\n-----END CERTIFICATE-----\n")


def folder(path: Path) -> None:
    """A folder where a file should be."""
    path.mkdir()


MAIN = "import sys; from api.cli import main; sys.exit(main())"

WRONG = pytest.mark.parametrize("spoil", [missing, empty, nonsense, folder], ids=lambda spoil: str(spoil.__name__))


def installation(place: Path, more: str) -> None:
    (place / "sites").mkdir()
    (place / "sites" / "larkspur.toml").write_text(site_toml(larkspur_site()), encoding="utf-8")
    lines = f'[broker]\nurl = "mqtts://127.0.0.1:1"\n{more}\n[http]\nport = 0\n'
    (place / "outlast.toml").write_text(lines, encoding="utf-8")


@WRONG
def test_a_certificate_that_cannot_be_read_is_named(tmp_path: Path, spoil: Callable[[Path], None]) -> None:
    """The client, whoever uses it, tells file and key; no broker is blamed, for none was asked."""
    spoil(tmp_path / "ca.crt")
    broker = Broker(url="mqtts://127.0.0.1:1", ca_file=tmp_path / "ca.crt")
    makers: list[Callable[[], object]] = [
        lambda: client(broker, "outlast"),
        lambda: BrokerLink(broker, "outlast", Will("outlast/status", b"offline", 1)),
        lambda: discover(broker, 1.0),
    ]
    for make in makers:
        with pytest.raises(ConfigError) as caught:
            make()
        assert (caught.value.file, caught.value.key) == (str(tmp_path / "ca.crt"), "broker.ca_file")


@pytest.mark.slow
@pytest.mark.parametrize("command", ["run", "collect", "check"])
@pytest.mark.parametrize(
    ("more", "key"),
    [('ca_file = "none.crt"', "ca_file"), ('username = "outlast"\npassword_file = "none"', "password_file")],
)
def test_a_command_ends_with_one_line(tmp_path: Path, command: str, more: str, key: str) -> None:
    """No traceback and no waiting for a broker: exit 2 with what is wrong and where."""
    installation(tmp_path, more)
    line = [sys.executable, "-c", MAIN, command, "--config", str(tmp_path)]
    done = subprocess.run(line, capture_output=True, text=True, timeout=120, check=False)
    told = [said for said in done.stderr.splitlines() if "broker." in said]
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert len(told) == 1
    assert f"broker.{key}" in told[0]


def test_a_certificate_of_another_authority_is_told_apart_from_a_silent_broker(tmp_path: Path) -> None:
    """A readable file that does not vouch for the broker: the line names ca_file; without a broker it names the url."""
    mine, other = tmp_path / "mine", tmp_path / "other"
    for place in (mine, other):
        place.mkdir()
        make_certificates(place)
    shown = f"cafile {mine / 'ca.crt'}\ncertfile {mine / 'broker.crt'}\nkeyfile {mine / 'broker.key'}\n"
    server = Mosquitto(tmp_path / "broker", more=shown)
    server.start()
    try:
        url = f"mqtts://127.0.0.1:{server.port}"
        assert discover(Broker(url=url, ca_file=mine / "ca.crt"), 0.1) == ()
        with pytest.raises(SessionError, match=r"no encrypted connection .*broker\.ca_file"):
            discover(Broker(url=url, ca_file=other / "ca.crt"), 0.1)
    finally:
        server.stop()
    with pytest.raises(SessionError, match=r"no broker answers .*broker\.url"):
        discover(Broker(url=url, ca_file=mine / "ca.crt"), 0.1)


def a_listener(broker: Broker) -> None:
    """Listens for a moment to one topic."""
    listen(broker, ["cellar/plug"], 0.0, lambda _topic, _payload, _retained: None)


def a_link(broker: Broker) -> None:
    """The connection of a hub, from start to end."""
    link = BrokerLink(broker, "outlast", Will("outlast/status", b"offline", 1), ("outlast/+/acknowledge",))
    link.start()
    eventually(lambda: link.connected, "the link")
    link.close()


@pytest.mark.parametrize("passing", [a_listener, a_link], ids=lambda passing: str(passing.__name__))
def test_who_leaves_the_broker_leaves_no_socket_open(broker: EmbeddedBroker, passing: Callable[[Broker], None]) -> None:
    """Without waiting for a collection of cycles: paho closes its own pair of sockets only when the client goes."""
    ours = Broker(url="embedded", listen_port=broker.port)
    passing(ours)
    gc.collect()
    process = psutil.Process()
    before = process.num_fds()
    gc.disable()
    try:
        for _ in range(3):
            passing(ours)
        eventually(lambda: process.num_fds() <= before, "the sockets")
    finally:
        gc.enable()
