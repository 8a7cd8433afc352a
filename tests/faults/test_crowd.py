"""Thirty receivers on every channel, of which 29 hang, told by one running process that is killed on the way."""

from __future__ import annotations

import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler
from pathlib import Path

import pytest

from forecaster.domain.ports import Ledger
from forecaster.domain.records import Notice, NoticeOutcome, PushSubscription
from tests.api.deliver.test_courier_mail import Mailbox, serving
from tests.api.deliver.test_courier_push import Browser, b64, raw_point
from tests.api.delivering import QuietServer
from tests.api.mosquitto import Hub
from tests.engines import wait_until
from tests.faults.test_processes_killed import looking, outlast
from tests.faults.test_remarks import PATIENCE_S, House
from tests.faults.test_told import mail_of
from tests.servers import Mosquitto, mosquitto

__all__ = ["mosquitto"]

pytestmark = pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning")  # aiosmtpd leaves its last connection open

CROWD = 30
LAST = f"c{CROWD - 1}"
CHANNELS = ("mail", "push", "webhook")


@dataclass
class Crowd:
    """An HTTP server whose receivers hang until they are released, all but the last.

    taken : (path, key) of every request that was answered with 2xx, in order; come : the paths of all, in order
    """

    port: int = 0
    released: threading.Event = field(default_factory=threading.Event)
    taken: list[tuple[str, str]] = field(default_factory=list)
    come: list[str] = field(default_factory=list)


@contextmanager
def crowding(crowd: Crowd) -> Iterator[Crowd]:
    """Serve until the block ends."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.rfile.read(int(self.headers.get("content-length", "0")))
            crowd.come.append(self.path)
            if not self.path.endswith(f"/{LAST}") and not crowd.released.is_set():
                crowd.released.wait()
                return  # who asked has hung up long since
            self.send_response(201)
            self.send_header("content-length", "0")
            self.end_headers()
            crowd.taken.append((self.path, self.headers.get("idempotency-key", "")))

        def log_message(self, format: str, *args: object) -> None:
            del format, args

    server = QuietServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    crowd.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield crowd
    finally:
        crowd.released.set()
        server.shutdown()
        thread.join()
        server.server_close()


BROKEN = '[[contacts]]\nname = "broken"\nwebhook = "http://a..localhost/x"\n'
"""A host that cannot be encoded: an earlier release ended every turn of the courier at it."""


def contacts(port: int) -> str:
    names = [f"c{number}" for number in range(CROWD)]
    return "".join(
        f'[[contacts]]\nname = "{name}"\nemail = "{name}@example.org"\nwebhook = "http://127.0.0.1:{port}/hook/{name}"\n'
        for name in names
    )


def subscribe(ledger: Ledger, port: int) -> None:
    """Thirty browsers, and one whose address an earlier release took and ended at, again after each restart."""
    browser = Browser()
    keys = b64(raw_point(browser.key)), b64(browser.auth)
    ledger.save_subscription(PushSubscription("p", "https://a:b@push.invalid/x", *keys, None, "poison", 1))
    for number in range(CROWD):
        name = f"c{number}"
        end = f"http://127.0.0.1:{port}/push/{name}"
        ledger.save_subscription(PushSubscription(name, end, *keys, None, name, 1))


def first_round(come: list[str], last: str) -> bool:
    """Whether the last of the crowd was asked before anybody a second time."""
    return last in come and len(set(come[: come.index(last) + 1])) == come.index(last) + 1


def told_of(ledger: Ledger) -> list[Notice]:
    """What became of the messages about the lost mains."""
    return ledger.notices([alarm.id for alarm in ledger.alarms("larkspur") if alarm.kind.value == "mains-lost"])


def told(ledger: Ledger) -> Counter[tuple[str, str]]:
    """How often each person was told over each channel."""
    return Counter((one.who, one.channel) for one in told_of(ledger) if one.outcome is NoticeOutcome.TOLD)


@pytest.mark.timeout(900)
def test_the_thirtieth_is_told_at_once_and_the_others_later_each_once(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """In: the mains lost; 29 of 30 webhooks, browsers and mailboxes hang; killed when the thirtieth was told over all
    of them; started anew, and nobody hangs any more. Out: until the kill nobody else was tried twice; after it
    everybody is told over every channel, and no message was taken twice."""
    crowd, box, folder = Crowd(), Mailbox(), tmp_path / "house"
    box.hangs_for = {f"c{number}@example.org" for number in range(CROWD - 1)}
    push = '[push]\nallow_hosts = ["127.0.0.1"]\n'
    with crowding(crowd), serving(box, tmp_path, "none") as settings:
        more = mail_of(settings.port) + push
        house = House(folder, mosquitto, site=BROKEN + contacts(crowd.port), settings=more)
        hub = Hub(mosquitto.port, "outlast/larkspur/alarm/#")
        with closing(house.client), looking(folder) as (_, ledger):
            subscribe(ledger, crowd.port)
            with outlast("run", folder):
                wait_until(house.ready, "outlast run", PATIENCE_S)
                house.keep_saying(lambda: house.supply() == "mains", "no forecast on mains", mains=True, charge=90)
                house.keep_saying(lambda: bool(told_of(ledger)), "mains-lost was not raised", mains=False, charge=88)
                raised_s = time.monotonic()
                wanted = {(LAST, channel) for channel in CHANNELS}
                wait_until(lambda: set(told(ledger)) >= wanted, "the thirtieth", PATIENCE_S)
                took_s = time.monotonic() - raised_s
                sys.stdout.write(f"the thirtieth was told on every channel {took_s:.1f} s after the raise\n")
                for way in ("hook", "push"):
                    assert first_round([path for path in crowd.come if f"/{way}/" in path], f"/{way}/{LAST}")
                assert first_round(box.asked, f"{LAST}@example.org")
                others = [one for one in told_of(ledger) if one.who not in (LAST, "poison")]
                assert set(told(ledger)) == wanted
                assert max(one.attempts for one in others) <= 1
                assert len(others) == len(CHANNELS) * (CROWD - 1)
                wait_until(lambda: "outlast/larkspur/alarm/mains-lost" in hub.now, "the hub", PATIENCE_S)
            box.release()
            crowd.released.set()
            everybody = {(f"c{number}", channel) for number in range(CROWD) for channel in CHANNELS}
            with outlast("run", folder):
                house.keep_saying(lambda: set(told(ledger)) == everybody, "not everybody", mains=False, charge=87)
                aside = house.client.get("/sites/larkspur").text
            sent = told(ledger)
            poisoned = [one.outcome for one in told_of(ledger) if one.who == "poison"]
        hub.close()
    assert Counter(path for path, _ in crowd.taken) == Counter(
        {
            f"/{'push' if channel == 'push' else 'hook'}/{who}": n
            for (who, channel), n in sent.items()
            if channel != "mail"
        }
    )
    assert "a..localhost" in aside
    assert poisoned
    assert NoticeOutcome.TOLD not in poisoned
    hooks = Counter(key for path, key in crowd.taken if path.startswith("/hook/"))
    mails = Counter(mail["Outlast-Key"] for mail in box.mails)
    assert set(hooks.values()) == set(mails.values()) == {1}
    assert Counter(mail["To"] for mail in box.mails) == Counter(
        {f"{who}@example.org": n for (who, channel), n in sent.items() if channel == "mail"}
    )
