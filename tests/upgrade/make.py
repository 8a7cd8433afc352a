"""Makes a kept installation with an older build: `python -m tests.upgrade.make OLD-CHECKOUT sqlite|servers`.

The older build runs as a process of its own and is asked over its commands and its API alone. It hears thirty hours
as a backlog, tells of three houses, is ended in order and started again, and at last killed. What it said then stands
in `expected.json` beside its files, with what it says to a ledger of a later release. SQLite files are copied as
they lie; readings on InfluxDB as line protocol, a ledger on PostgreSQL as pg_dump writes it.
"""

from __future__ import annotations

import json
import shutil
import signal
import sqlite3
import subprocess
import sys
import tarfile
import time
from base64 import urlsafe_b64encode
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from urllib.parse import quote

import httpx
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from tests.api.deliver.test_courier_mail import Mailbox, serving
from tests.engines import Influx, Postgres, free_port, postgres_tools, running_influx, running_postgres, wait_until
from tests.servers import Mosquitto, running_mosquitto
from tests.upgrade.houses import LOST, SITES, TESTED, WET, House, in_turn, write_settings, write_sites

HERE = Path(__file__).parent
CALL = "import sys; sys.path.insert(0, ''); from api.cli import main; sys.exit(main())"
STEP_S = 5.0
PATIENCE_S = 300.0
POINT = ec.derive_private_key(20_260_303, ec.SECP256R1()).public_key()
KEYS = {
    "p256dh": urlsafe_b64encode(POINT.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)).decode().rstrip("="),
    "auth": urlsafe_b64encode(b"larkspur-larkspu").decode().rstrip("="),
}
"""A browser's keys, valid and of nobody (RFC 8291 section 3.2)."""

READINGS, LEDGER, EXPECTED = "readings.lp", "ledger.sql", "expected.json"


@dataclass
class Old:
    """The older build over an installation's folder."""

    checkout: Path
    folder: Path
    http_port: int
    process: subprocess.Popen[bytes] | None = None
    secrets: dict[str, str] = field(default_factory=dict)

    def words(self, *words: str) -> list[str]:
        return [str(self.checkout / ".venv-test/bin/python"), "-c", CALL, *words, "--config", str(self.folder)]

    def start(self) -> None:
        with (self.folder.parent / "old.log").open("ab") as log:
            self.process = subprocess.Popen(self.words("run"), cwd=self.checkout, stdout=log, stderr=log)
        wait_until(lambda: self._get("/healthz") is not None, "the old build", PATIENCE_S)

    def end(self, how: signal.Signals) -> None:
        assert self.process is not None
        self.process.send_signal(how)
        self.process.wait(PATIENCE_S)

    def command(self, *words: str) -> str:
        done = subprocess.run(self.words(*words), cwd=self.checkout, check=True, capture_output=True, text=True)
        return done.stdout

    def _get(self, path: str) -> Any:
        try:
            return httpx.get(f"http://127.0.0.1:{self.http_port}{path}", timeout=30).json()
        except httpx.HTTPError:
            return None

    def ask(self, path: str) -> Any:
        return self._get(f"/api/v1{path}")

    def post(self, path: str, body: dict[str, Any]) -> Any:
        answer = httpx.post(f"http://127.0.0.1:{self.http_port}/api/v1{path}", json=body, timeout=30)
        answer.raise_for_status()
        return answer.json()

    def alarms(self, site: str) -> dict[str, dict[str, Any]]:
        found = self.ask(f"/sites/{site}/alarms")
        return {alarm["kind"]: alarm for alarm in (found or {}).get("alarms", ())}

    def close(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.end(signal.SIGKILL)


def live_until(true: Callable[[], bool], what: str, houses: Sequence[House], broker: Mosquitto) -> None:
    """Let the houses live on, in real time, until something is so."""
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, f"{what} did not come about"
        broker.publish(in_turn(houses, STEP_S))
        behind = [house.now_ms - time.time() * 1000 for house in houses]
        time.sleep(max(0.0, STEP_S + min(behind) / 1000.0) if min(behind) > -60_000 else 0.0)


def tell_the_story(old: Old, broker: Mosquitto, mail: Callable[[], Any]) -> dict[str, Any]:
    """Everything that is under way when the older build ends. Returns what it said last."""
    houses = [House(site) for site in SITES]
    now_ms = int(time.time() * 1000)
    old.start()
    past = sorted((json.loads(body)["time"], topic, body) for house in houses for topic, body in house.past(now_ms))
    broker.publish([(topic, body) for _, topic, body in past])
    live_until(lambda: {"mains-lost", "low-reserve"} <= old.alarms(LOST).keys(), "the lost mains", houses, broker)
    old.post(f"/alarms/{quote(old.alarms(LOST)['low-reserve']['id'], safe='')}/acknowledge", {})
    houses[1].wet = True
    live_until(lambda: "high-water" in old.alarms(WET), "high water", houses, broker)
    old.post(f"/alarms/{quote(old.alarms(WET)['high-water']['id'], safe='')}/shelve", {"minutes": 480})
    old.post(f"/sites/{TESTED}/discharge-tests", {"until_percent": 80})
    old.post(
        "/push/subscriptions", {"endpoint": "http://127.0.0.1:9/phone", "keys": KEYS, "site": LOST, "label": "phone"}
    )
    for name, more in (("desk", ["--scope", "operate"]), ("phone", ["--site", LOST]), ("gone", [])):
        made = json.loads(old.command("token", "add", name, *more, "--json"))
        old.secrets[name] = made["token"]
        if name == "gone":
            old.command("token", "revoke", made["id"])
    houses[2].mains = False
    live_until(lambda: supply(old, TESTED) == "pack", "the plug pulled", houses, broker)
    old.end(signal.SIGTERM)
    old.start()
    mail()
    houses[0].wet = True  # nobody takes mail any more: it stays owed
    live_until(lambda: "high-water" in old.alarms(LOST), "water at the first house", houses, broker)
    until_s = time.monotonic() + 60.0
    live_until(lambda: time.monotonic() > until_s, "a minute", houses, broker)
    said = what_it_says(old)
    said["houses"] = {house.site: state_of(house) for house in houses}
    old.end(signal.SIGKILL)
    said["ended_ms"] = int(time.time() * 1000)
    return said


def state_of(house: House) -> dict[str, Any]:
    cellar = house.cellar
    names = ("seed", "second", "water_l", "running", "energy_wh", "left_wh")
    return {
        "shift_ms": house.shift_ms, "mains": house.mains, "wet": house.wet,
        "cellar": {name: getattr(cellar, name) for name in names},
    }  # fmt: skip


def supply(old: Old, site: str) -> str | None:
    found = old.ask(f"/sites/{site}/forecast")
    return None if found is None else found.get("supply")


def what_it_says(old: Old) -> dict[str, Any]:
    return {
        "tokens": old.secrets,
        "sites": {
            site: {
                "forecast": {k: v for k, v in old.ask(f"/sites/{site}/forecast").items() if k != "survival"},
                "alarms": old.ask(f"/sites/{site}/alarms")["alarms"],
                "tests": old.ask(f"/sites/{site}/discharge-tests")["tests"],
                "outages": old.ask(f"/sites/{site}/outages")["outages"],
            }
            for site in SITES
        },
    }


def going_back(old: Old) -> dict[str, Any]:
    """What the older build says to a ledger of a later release: asked on a copy."""
    with TemporaryDirectory() as name:
        folder = Path(name) / "later"
        shutil.copytree(old.folder, folder)
        ledger = folder / "outlast-ledger.db"
        if not ledger.exists():
            return {}
        with closing(sqlite3.connect(ledger)) as held, held:
            known = held.execute("SELECT version FROM schema").fetchone()[0]
            held.execute("UPDATE schema SET version = version + 1")
        words = Old(old.checkout, folder, old.http_port).words("run")
        done = subprocess.run(words, cwd=old.checkout, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
        return {"ledger_version": known, "exit": done.returncode, "says": done.stderr.strip().splitlines()}


@contextmanager
def servers(stack: ExitStack, folder: Path) -> Iterator[tuple[Influx, Postgres]]:
    (folder / "influx").mkdir()
    yield stack.enter_context(running_influx(folder / "influx")), stack.enter_context(running_postgres())


def lines_of(influx: Influx) -> Iterator[str]:
    """All points of the database, as line protocol."""

    def ask(query: str) -> list[dict[str, Any]]:
        answer = httpx.get(
            f"http://127.0.0.1:{influx.port}/query", params={"db": "outlast", "q": query, "epoch": "ns"}, timeout=60
        )
        answer.raise_for_status()
        return list(answer.json()["results"][0].get("series", []))

    for (measurement,) in ask("SHOW MEASUREMENTS")[0]["values"]:
        kinds = dict(ask(f'SHOW FIELD KEYS FROM "{measurement}"')[0]["values"])
        for series in ask(f'SELECT * FROM "{measurement}" GROUP BY *'):
            tags = "".join(f",{name}={_escaped(value)}" for name, value in series["tags"].items() if value)
            for at_ns, *row in series["values"]:
                fields = zip(series["columns"][1:], row, strict=True)
                told = ",".join(f"{name}={_shown(value, kinds[name])}" for name, value in fields if value is not None)
                yield f"{measurement}{tags} {told} {at_ns}"


def _escaped(tag: str) -> str:
    return tag.replace("\\", "\\\\").replace(" ", "\\ ").replace(",", "\\,").replace("=", "\\=")


def _shown(value: Any, kind: str) -> str:
    return f"{value}i" if kind == "integer" else json.dumps(value)


def dump(folder: Path, influx: Influx, postgres: Postgres) -> None:
    """Readings as line protocol and the ledger as SQL, into the installation's folder."""
    with (folder / READINGS).open("w") as out:
        out.writelines(f"{line}\n" for line in lines_of(influx))
    options = ["-h", "127.0.0.1", "-p", str(postgres.port), "-U", "postgres", "--inserts", "--rows-per-insert=200"]
    with (folder / LEDGER).open("wb") as out:
        subprocess.run([str(postgres_tools() / "pg_dump"), *options, "postgres"], check=True, stdout=out)


def pack(folder: Path, to: Path) -> None:
    """The folder as a small archive; SQLite files with their logs folded in."""
    for file in folder.rglob("*.db"):
        with closing(sqlite3.connect(file)) as held:
            held.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            held.execute("VACUUM")
    with tarfile.open(to, "w:xz", preset=9) as archive:
        archive.add(folder, "house", filter=_anonymous)


def _anonymous(entry: tarfile.TarInfo) -> tarfile.TarInfo:
    entry.uid = entry.gid = 0
    entry.uname = entry.gname = ""
    return entry


def main(checkout: Path, kind: str) -> None:
    with TemporaryDirectory() as name, ExitStack() as stack:
        work = Path(name)
        folder = work / "house"
        folder.mkdir()
        broker = stack.enter_context(running_mosquitto(work / "mosquitto"))
        mails = ExitStack()
        box = Mailbox()
        mail = mails.enter_context(serving(box, work, "none"))
        old = Old(checkout.resolve(), folder, free_port())
        stack.callback(old.close)
        running = stack.enter_context(servers(stack, work)) if kind == "servers" else None
        stores = None if running is None else (f"{running[0].url}/outlast", running[1].url)
        write_sites(folder)
        write_settings(folder, broker.url, mail.port, old.http_port, stores)
        said = tell_the_story(old, broker, mails.close)
        said["mails"] = [str(mail["Message-ID"]) for mail in box.mails]
        said["going_back"] = going_back(old)
        if running is not None:
            dump(folder, *running)
        (folder / EXPECTED).write_text(json.dumps(said, indent=1))
        pack(folder, HERE / f"{kind}.tar.xz")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
