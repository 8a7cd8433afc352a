"""A process that cannot go on ends with a code; one that can goes on, and says what is wrong. On real processes."""

from __future__ import annotations

import os
import random
import shutil
import socket
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from collector.store.open import open_ledger
from forecaster.domain.alarms import AlarmState
from forecaster.domain.records import Delivery
from tests.api.delivering import told
from tests.api.process.houses import PATIENCE_S, House, house, one
from tests.engines import free_port, wait_until
from tests.servers import Mosquitto, mosquitto

__all__ = ["mosquitto", "one"]

pytestmark = pytest.mark.timeout(900)


def test_a_second_run_is_refused_before_it_speaks_to_the_broker(one: House) -> None:
    """In: a second `run`, on the same port and on another, and a `collect`. Out: exit 2, one line, no connection."""
    one.start()
    wait_until(lambda: connections(one) >= 1, "the session", PATIENCE_S)
    before = connections(one)
    for command, more in (("run", {}), ("run", {"OUTLAST_HTTP__PORT": str(free_port())}), ("collect", {})):
        said_before = len(one.log.read_text())
        assert one.spawn(command, **more).wait(PATIENCE_S) == 2
        lines = [
            line for line in one.log.read_text()[said_before:].splitlines() if line.startswith(f"outlast {command}:")
        ]
        assert len(lines) == 1
        assert f"another outlast runs on {one.folder} already (process {one.process and one.process.pid})" in lines[0]
    assert connections(one) == before
    one.publish(10)
    wait_until(lambda: one.rows() == 10, "ten rows", PATIENCE_S)
    one.stop()
    again = one.start()
    assert again.poll() is None


def connections(one: House) -> int:
    """How often somebody has connected with the installation's name."""
    log = (one.broker.folder / "mosquitto.log").read_text()
    return sum("New client connected" in line and " as load " in line for line in log.splitlines())


def test_what_cannot_start_tells_no_address(one: House) -> None:
    certificate = one.folder / "nowhere.pem"
    one.write(broker_url=one.broker.url.replace("mqtt:", "mqtts:"))
    assert one.spawn("run", OUTLAST_BROKER__CA_FILE=str(certificate)).wait(PATIENCE_S) == 2
    said = one.log.read_text().splitlines()
    assert len(said) == 1
    assert str(certificate) in said[0]


def test_a_port_that_is_taken_is_told_in_one_line(one: House, tmp_path: Path) -> None:
    one.start()
    with house(tmp_path / "other", one.broker) as other:
        other.port = one.port
        other.write()
        assert other.spawn("run").wait(PATIENCE_S) == 2
        told = [line for line in other.log.read_text().splitlines() if line.startswith("outlast run:")]
        assert len(told) == 1
        assert f"127.0.0.1:{one.port} cannot be listened on" in told[0]


def test_a_reload_that_cannot_be_leaves_the_old_at_work(one: House) -> None:
    """A site file edited while the password is away. In: 6 messages meanwhile, 6 after. Out: 12 rows; it is said."""
    password = one.folder / "broker-password"
    text = (one.folder / "outlast.toml").read_text()
    (one.folder / "outlast.toml").write_text(
        text.replace("[store]", 'username = "outlast"\npassword_file = "broker-password"\n[store]')
    )
    one.start()
    wait_until(lambda: one.health().get("status") == "ok", "all to be well", PATIENCE_S)
    secret = password.read_text()
    password.unlink()
    site = one.folder / "sites" / "cellar-00000.toml"
    site.write_text(site.read_text().replace("Cellar 0", "Cellar nought"))
    wait_until(lambda: one.health().get("status") == "degraded", "the refused change to be told", PATIENCE_S)
    assert "the change is not taken" in str(one.health()["says"])
    one.publish(6)
    wait_until(lambda: one.rows() == 6, "six rows", PATIENCE_S)
    assert name_told(one) == "Cellar 0"
    password.write_text(secret)
    wait_until(lambda: name_told(one) == "Cellar nought", "the change", PATIENCE_S)
    one.publish(6)
    wait_until(lambda: one.rows() == 12, "twelve rows", PATIENCE_S)
    assert one.health()["status"] == "ok"
    assert one.log.read_text().count("the changed site files are not taken") == 1


def name_told(one: House) -> str:
    answer = one.get("/api/v1/sites/cellar-00000")
    return "" if answer is None else str(answer.json()["name"])


def garbage(path: Path) -> None:
    """Half of every page but the first overwritten, in the file and in the log before it."""
    dirt = random.Random(20_260_303)
    for part in (path, path.with_name(f"{path.name}-wal")):
        with part.open("r+b") as file:
            for at in range(4096, part.stat().st_size, 4096):
                file.seek(at)
                file.write(dirt.randbytes(2048))


def emptied(path: Path) -> None:
    """The file cut to nothing, and its log."""
    for part in (path, path.with_name(f"{path.name}-wal")):
        os.truncate(part, 0)


DAMAGES: dict[str, tuple[str, Callable[[Path], None]]] = {
    "ledger-garbage": ("outlast-ledger.db", garbage),
    "readings-removed": ("outlast.db", Path.unlink),
    "ledger-removed": ("outlast-ledger.db", Path.unlink),
    "readings-garbage": ("outlast.db", garbage),
    "readings-emptied": ("outlast.db", emptied),
    "ledger-emptied": ("outlast-ledger.db", emptied),
}
SAID = {"garbage": "is damaged", "emptied": "is damaged", "removed": "was removed"}
SHORT = ("ledger-garbage", "readings-removed")


@pytest.mark.parametrize("kind", [k if k in SHORT else pytest.param(k, marks=pytest.mark.long) for k in DAMAGES])
def test_a_damaged_database_ends_it_and_the_next_start_goes_on(one: House, kind: str) -> None:
    """Exit 1 by itself; started anew it stores and forecasts. In: 20 messages after the start. Out: 20 rows."""
    name, harm = DAMAGES[kind]
    one.start()
    one.publish(400)
    wait_until(lambda: one.rows() == 400, "the rows", PATIENCE_S)
    wait_until(lambda: one.status("/api/v1/sites/cellar-00000/forecast") == 200, "a forecast", PATIENCE_S)
    harm(one.folder / name)
    wait_until(lambda: one.ended() is not None, "the end of the process", PATIENCE_S)
    assert one.ended() == 1
    assert f"{name} {SAID[kind.partition('-')[2]]}" in one.log.read_text()
    one.start()
    kept = one.rows()
    one.publish(20)
    wait_until(lambda: one.rows() == kept + 20, "the rows after", PATIENCE_S)
    wait_until(lambda: one.status("/readyz") == 200, "being ready", PATIENCE_S)


def test_one_faulty_file_and_one_faulty_contact_among_three(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """At the start and while running: what cannot be read is named, the other sites are stored and forecast."""
    with house(tmp_path / "house", mosquitto, sites=3) as three:
        three.write()
        sites = three.folder / "sites"
        whole = (sites / "cellar-00001.toml").read_text()
        (sites / "cellar-00001.toml").write_text(whole.replace("rated_voltage_v = 115", 'rated_voltage_v = "much"'))
        with (sites / "cellar-00002.toml").open("a") as file:
            file.write('[[contacts]]\nname = "owner"\nemail = "owner@example.org"\n[[contacts]]\nname = "nobody"\n')
        three.start()
        three.publish(30)
        wait_until(lambda: three.rows("cellar-00000") == 10 == three.rows("cellar-00002"), "their rows", PATIENCE_S)
        assert sites_told(three) == ["cellar-00000", "cellar-00002"]
        says = str(three.health()["says"])
        assert "cellar-00001.toml: pump.rated_voltage_v" in says
        assert "cellar-00002.toml: contacts[1]" in says
        (sites / "cellar-00001.toml").write_text(whole)
        wait_until(lambda: len(sites_told(three)) == 3, "the mended site", PATIENCE_S)
        (sites / "cellar-00000.toml").write_text("[[[")
        wait_until(lambda: "goes on as it was before" in str(three.health()["says"]), "the slip told", PATIENCE_S)
        three.publish(30)
        wait_until(lambda: three.rows("cellar-00000") == 20, "the rows of the site with the slip", PATIENCE_S)
        assert three.status("/readyz") == 200
        assert three.health()["status"] == "degraded"
        # a pipe that nobody writes to, a number that cannot be read, and a pattern that never ends with what is sent
        (sites / "cellar-00000.toml").unlink()
        os.mkfifo(sites / "cellar-00000.toml")
        (sites / "cellar-00001.toml").write_text(whole + f"[weather]\nevery_s = {'1' * 5_000}\n")
        endless = "pattern = '^(?:(?:a|aa)+)+b([0-9]+)$'"
        (sites / "cellar-00002.toml").write_text(whole.replace("00001", "00002").replace('value = "$.power"', endless))
        wait_until(lambda: "thousands of digits" in str(three.health()["says"]), "the hostile files told", PATIENCE_S)
        three.broker.publish([("fleet/cellar-00002/plug", b"a" * 4_000)] * 20)
        three.publish(30)
        wait_until(lambda: three.rows("cellar-00000") == 30, "the rows of the site with the pipe", PATIENCE_S)
        wait_until(lambda: three.rows("cellar-00001") == 20, "the rows of the site with the number", PATIENCE_S)
        assert three.status("/livez") == 200


def sites_told(three: House) -> list[str]:
    answer = three.get("/api/v1/sites")
    return [] if answer is None else sorted(site["id"] for site in answer.json()["sites"])


def test_only_broken_files_are_exit_2(one: House) -> None:
    (one.folder / "sites" / "cellar-00000.toml").write_text("[[[")
    assert one.spawn("run").wait(PATIENCE_S) == 2
    assert one.log.read_text().count("\n") == 1


def test_what_is_written_is_its_owners_alone(one: House) -> None:
    """At umask 022 as at any other: no file of the program's own can be read by others (ASVS 5.0 V14.2)."""
    before = os.umask(0o022)
    try:
        one.start()
    finally:
        os.umask(before)
    wait_until((one.folder / "outlast-ballast").exists, "all files", PATIENCE_S)
    own = [path for path in one.folder.iterdir() if path.name.startswith(("outlast-", "outlast.db", "link", "push"))]
    assert len(own) > 5
    assert [path.name for path in own if stat.S_IMODE(path.stat().st_mode) & 0o077] == []


def test_a_renamed_site_leaves_no_alarm_and_no_mail_behind(one: House) -> None:
    """In: an open alarm with a mail owed, then the site's file renamed. Out: closed, given up, the new site at work."""
    one.start()
    wait_until(lambda: one.status("/api/v1/sites/cellar-00000") == 200, "the site", PATIENCE_S)
    ledger = open_ledger(f"sqlite:///{one.folder / 'outlast-ledger.db'}", owner=False)
    raised = told(site="cellar-00000")
    far_ms = 2**51
    owed = Delivery("kept", "mail", "owner@example.org", "cellar-00000", "{}", far_ms, far_ms, far_ms)
    ledger.commit_transitions([raised], [owed], [])
    old = one.folder / "sites" / "cellar-00000.toml"
    (one.folder / "sites" / "boathouse.toml").write_text(old.read_text().replace("cellar-00000", "boathouse"))
    old.unlink()
    wait_until(lambda: ledger.alarm(raised.alarm.id).state is AlarmState.NORMAL, "the alarm's end", PATIENCE_S)
    wait_until(lambda: ledger.due("mail", far_ms) == [], "the mail being given up", PATIENCE_S)
    ledger.close()
    wait_until(lambda: sites_told(one) == ["boathouse"], "the new name", PATIENCE_S)


@pytest.fixture
def open_place() -> Iterator[Path]:
    """A folder that every user may enter: pytest shuts its own again whenever another run begins beside this one."""
    with TemporaryDirectory(prefix="outlast-installed-") as name:
        place = Path(name)
        place.chmod(0o755)
        yield place


@pytest.fixture
def laid_out(open_place: Path, mosquitto: Mosquitto) -> Iterator[House]:
    """An installation in it that is written, and not started."""
    with house(open_place / "house", mosquitto) as made:
        made.write()
        yield made


def test_the_layout_of_the_installer_starts_as_the_service_user(laid_out: House, open_place: Path) -> None:
    """The settings read-only and of another owner, the data alone writable, as the unit has it: it starts, makes its
    keys and its ballast beside the data, and tells the service manager that it is ready and at work."""
    data = open_place / "var"
    data.mkdir()
    text = (
        (laid_out.folder / "outlast.toml").read_text().replace("sqlite:///outlast.db", f"sqlite:///{data}/outlast.db")
    )
    (laid_out.folder / "outlast.toml").write_text(text + '[mail]\nhost = "127.0.0.1"\nsender = "pump@example.org"\n')
    words: list[str] = []
    if os.geteuid() == 0:
        shutil.chown(data, "nobody", "nogroup")
        words = [
            "setpriv",
            "--reuid=nobody",
            "--regid=nogroup",
            "--clear-groups",
            "--inh-caps=-all,+dac_read_search",
            "--ambient-caps=-all,+dac_read_search",
        ]  # reads what root may read, writes only what is its own
    for path in (*laid_out.folder.rglob("*"), laid_out.folder):
        path.chmod(0o555 if path.is_dir() else 0o444)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(open_place / "notify"))
        (open_place / "notify").chmod(0o777)
        manager.settimeout(PATIENCE_S)
        laid_out.start(prefix=words, NOTIFY_SOCKET=str(open_place / "notify"))
        assert manager.recv(100) == b"READY=1"
        assert manager.recv(100) == b"WATCHDOG=1"
    laid_out.publish(10)
    wait_until(lambda: laid_out.rows() == 10, "ten rows", PATIENCE_S)
    made = {path.name for path in data.iterdir()}
    assert {"link-key", "outlast-ballast", "outlast.db", "outlast-ledger.db"} <= made
    laid_out.stop()
    assert laid_out.ended() == 0
    for path in (laid_out.folder, *laid_out.folder.rglob("*")):
        path.chmod(path.stat().st_mode | 0o200)
