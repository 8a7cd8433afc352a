"""What strangers write, and receivers that dawdle, against whole processes: log, commands, rows and memory."""

from __future__ import annotations

import base64
import json
import re
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import httpx
import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from collector.store.open import open_ledger
from forecaster.domain.names import hidden
from forecaster.domain.records import Token
from tests.api.delivering import Receiver, listening
from tests.api.process.houses import PATIENCE_S, House, one
from tests.engines import ROOT, wait_until
from tests.servers import mosquitto

__all__ = ["mosquitto", "one"]

pytestmark = pytest.mark.timeout(900)

LIMIT_MB = 400.0
FORGED = "2026-01-01 00:00:00,000 ERROR outlast all is lost"
HOSTILE = f"\n{FORGED}\x1b[2J\x9b2J\u2028\u202e\u200b\r"
PUBLISHED = "\u2028\u202e\u200b all is lost"
"""What a broker passes on in a topic: it takes no control characters there (MQTT 5.0 section 1.5.4)."""

DESCENTS = "$..[?@..[?@..[?@..[?@..[?@.x]]]]]"
TEXT_LINE = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d,\d{3} (DEBUG|INFO|WARNING|ERROR|CRITICAL) [\w.]+ |    ")


class Hostile(BaseHTTPRequestHandler):
    """A weather service whose amounts of rain are lines for our log."""

    def do_GET(self) -> None:  # the name is the library's
        body = json.dumps({"t": ["2026-01-01T00:00:00Z"], "r": [HOSTILE]}).encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:
        """Nothing."""


@contextmanager
def weather() -> Iterator[str]:
    """The address of that service."""
    with ThreadingHTTPServer(("127.0.0.1", 0), Hostile) as served:
        turning = threading.Thread(target=served.serve_forever)
        turning.start()
        try:
            yield f"http://127.0.0.1:{served.server_port}/"
        finally:
            served.shutdown()
            turning.join()


def asked(one: House) -> None:
    """Requests with hostile paths, headers and names; each gets some answer."""
    raw = HOSTILE.encode()
    single = raw.replace(b"\n", b"").replace(b"\r", b"")
    here = b"Host: 127.0.0.1\r\n"
    for head in (
        b"GET /%0A" + FORGED.replace(" ", "%20").encode() + b"%1b[2J HTTP/1.1\r\n" + here,
        b"GET /sites HTTP/1.1\r\n" + here + b"User-Agent: " + single + b"\r\nX-Forwarded-For: " + single + b"\r\n",
        b"GET / HTTP/1.1\r\nHost: " + single + b"\r\n",
        b"GET / HTTP/1.1\r\n" + here + b"Cookie: outlast=" + single + b"\r\nAuthorization: Bearer " + single + b"\r\n",
    ):
        with socket.create_connection(("127.0.0.1", one.port), PATIENCE_S) as line:
            line.sendall(head + b"Connection: close\r\n\r\n")
            assert line.recv(64).startswith(b"HTTP/1.1 ")
    told = httpx.post(
        f"{one.base}/api/v1/sites/cellar-00000/work", json={"kind": "other", "did": f"valve{HOSTILE}"}, timeout=60
    )
    assert told.status_code == 422
    assert hidden(told.json()["detail"]) is None


def spoken(one: House, *words: str) -> str:
    """What a command prints, on both streams."""
    command = [sys.executable, "-m", "api", *words, "--config", str(one.folder)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    return done.stdout + done.stderr


def forges_nothing(text: str) -> None:
    assert {sign for sign in text if hidden(sign)} <= {"\n"}
    assert not [line for line in text.splitlines() if line.startswith(FORGED[:20])]


@pytest.mark.parametrize("style", ["text", "json"])
def test_no_stranger_writes_a_line_of_the_log_or_on_a_terminal(one: House, style: str) -> None:
    """In: line breaks, escape sequences and signs of direction in topics, payloads, commands, headers, paths and names,
    and in what a weather service answers, a path that would never end, 20 messages. Out: 20 rows, each line our own."""
    with weather() as url:
        with (one.folder / "sites" / "cellar-00000.toml").open("a") as file:
            file.write(
                f'[[channels]]\nquantity = "pack_voltage"\ntopic = "fleet/cellar-00000/odd/#"\nvalue = "{DESCENTS}"\n'
                '[[channels]]\nquantity = "water_level"\ntopic = "fleet/cellar-00000/level/#"\n'
                f'[weather]\nurl = "{url}"\ntime = "$.t[*]"\nrain = "$.r[*]"\n'
            )
        one.process = one.spawn("run", options=["--log-format", style, "--log-level", "debug"])
        wait_until(lambda: one.status("/readyz") == 200, "being ready", PATIENCE_S)
        deep = b'{"a":' * 60 + b"1" + b"}" * 60
        site = "fleet/cellar-00000"
        one.broker.publish(
            [
                *[(f"{site}/odd/{PUBLISHED}", deep)] * 5,
                (f"{site}/odd/x", json.dumps({HOSTILE: 1}).encode() * 2),
                (f"{site}/level/{PUBLISHED}", HOSTILE.encode()),
                (f"{site}/level/{PUBLISHED}", b'{"a\\u001b[2J":1,"a\\u001b[2J":2}'),
                ("outlast/cellar-00000/alarm/all/acknowledge", HOSTILE.encode()),
                (f"outlast/cellar-00000/alarm/{PUBLISHED}/acknowledge", b"owner"),
            ]
        )
        asked(one)
        one.publish(20)
        wait_until(lambda: one.stored() == 20, "the rows", PATIENCE_S)
        refused = f"{one.base}/api/v1/sites/cellar-00000/forecast"
        assert httpx.get(refused, timeout=PATIENCE_S).status_code == 200
        wait_until(lambda: "weather" in one.log.read_text(), "the weather's trouble to be told", PATIENCE_S)
        assert one.status("/livez") == 200
        sys.stdout.write(f"20 in, 20 stored, at most {one.peak_mb():.0f} MB\n")
        assert one.peak_mb() < LIMIT_MB
        one.stop()
    log = one.log.read_bytes().decode()
    forges_nothing(log)
    lines = log.removesuffix("\n").split("\n")
    said = [line for line in lines if line.startswith("Outlast is at ")]
    assert len(said) == 1  # the one line of standard output
    lines.remove(said[0])
    for line in lines:
        assert json.loads(line)["message"] if style == "json" else TEXT_LINE.match(line), line
    with closing(open_ledger(f"sqlite:///{one.folder / 'outlast-ledger.db'}", owner=False)) as ledger:
        ledger.save_token(Token("0badcafe", f"of an older release{HOSTILE}", "read", None, "blake2b:00", 0))
        kept = ledger.refusals("cellar-00000")
    assert kept
    assert all(hidden(text) is None for one_refused in kept for text in (one_refused.topic, one_refused.reason))
    for words in (["check", "--seconds", "1"], ["alarms", "list"], ["token", "list"], ["token", "add", HOSTILE]):
        forges_nothing(spoken(one, *words))


@contextmanager
def trickling() -> Iterator[tuple[int, list[socket.socket]]]:
    """A server of any protocol that says one byte a second and never ends; its port, and whom it has heard."""
    heard: list[socket.socket] = []
    ended = threading.Event()

    def drip(end: socket.socket) -> None:
        with end, suppress(OSError):
            while not ended.wait(1.0):
                end.sendall(b"2")

    def serve(listens: socket.socket) -> None:
        with suppress(OSError):
            while True:
                end, _ = listens.accept()
                heard.append(end)
                threading.Thread(target=drip, args=(end,), daemon=True).start()

    with socket.create_server(("127.0.0.1", 0), backlog=100) as listens:
        serving = threading.Thread(target=serve, args=(listens,), daemon=True)
        serving.start()
        try:
            yield listens.getsockname()[1], heard
        finally:
            ended.set()
            listens.shutdown(socket.SHUT_RDWR)


BROWSERS = 10


def test_mail_push_and_webhook_servers_that_trickle(one: House) -> None:
    """In: 10 mailboxes, 10 browsers and 10 webhooks at servers that say a byte a second, one webhook that is well; 200
    messages and an alarm. Out: 200 rows, the one who can be reached told, live, an end in order while they trickle."""
    with ExitStack() as held:
        (mails, mail_heard), (pushes, push_heard), (hooks, hook_heard) = (
            held.enter_context(trickling()) for _ in "mph"
        )
        receiver = held.enter_context(listening(Receiver()))
        one.write(
            f'[mail]\nhost = "127.0.0.1"\nport = {mails}\nsecurity = "none"\nsender = "pump@example.org"\n'
            '[push]\nallow_hosts = ["localhost"]\n'
        )
        contacts = "".join(
            f'[[contacts]]\nname = "slow {n}"\nemail = "slow{n}@example.org"\n'
            f'webhook = "http://127.0.0.1:{hooks}/{n}"\n'
            for n in range(BROWSERS)
        )
        with (one.folder / "sites" / "cellar-00000.toml").open("a") as file:
            file.write(
                '[[channels]]\nquantity = "high_water"\ntopic = "fleet/cellar-00000/wet"\n'
                f'{contacts}[[contacts]]\nname = "owner"\nwebhook = "{receiver.url}"\n'
            )
        one.start()
        for number in range(BROWSERS):
            subscribed(one, f"https://localhost:{pushes}/{number}")
        one.publish(200)
        one.broker.publish([("fleet/cellar-00000/wet", b"1")])
        wait_until(lambda: len(receiver.heard) > 0, "the one who can be reached", PATIENCE_S)
        wait_until(lambda: bool(mail_heard and push_heard and hook_heard), "all three to be tried", PATIENCE_S)
        wait_until(lambda: one.stored() == 201, "the rows", PATIENCE_S)
        assert one.status("/livez") == 200
        sys.stdout.write(f"201 in, 201 stored, at most {one.peak_mb():.0f} MB\n")
        assert one.peak_mb() < LIMIT_MB
        one.stop()
        assert one.ended() == 0


def subscribed(one: House, endpoint: str) -> None:
    key = ec.generate_private_key(ec.SECP256R1()).public_key()
    point = key.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
    keys = {"p256dh": _base64(point), "auth": _base64(bytes(16))}
    wish = {"endpoint": endpoint, "keys": keys, "site": "cellar-00000"}
    answer = httpx.post(f"{one.base}/api/v1/push/subscriptions", json=wish, timeout=PATIENCE_S)
    assert answer.status_code == 201, answer.text


def _base64(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()
