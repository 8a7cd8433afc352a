"""nginx with the shipped outlast.conf, in a folder of its own: ports and certificates put in place."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass, field
from pathlib import Path

from tests.brokers import make_certificates
from tests.engines import ROOT, answers, free_port, wait_until

SHIPPED = ROOT / "deploy" / "nginx"


@dataclass
class ShippedProxy:
    """nginx before an Outlast on loopback."""

    folder: Path
    upstream_port: int = 8642
    port: int = field(default_factory=free_port)
    tls_port: int = field(default_factory=free_port)
    server: subprocess.Popen[bytes] | None = None

    @property
    def config(self) -> Path:
        """The main configuration that includes the shipped file."""
        return self.folder / "nginx.conf"

    def prepare(self) -> None:
        """Write configuration and certificates."""
        make_certificates(self.folder)
        places = {
            "/etc/outlast/nginx-proxy.conf": f"{self.folder}/nginx-proxy.conf",
            "/etc/outlast/tls/outlast.crt": f"{self.folder}/broker.crt",
            "/etc/outlast/tls/outlast.key": f"{self.folder}/broker.key",
            "listen 80;": f"listen 127.0.0.1:{self.port};",
            "listen 443 ssl;": f"listen 127.0.0.1:{self.tls_port} ssl;",
        }
        self._place("outlast.conf", places)
        self._place("nginx-proxy.conf", {"127.0.0.1:8642": f"127.0.0.1:{self.upstream_port}"})
        temp = " ".join(
            f"{kind}_temp_path {self.folder}/{kind};" for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        )
        self.config.write_text(
            f"daemon off; pid {self.folder}/pid; error_log {self.folder}/log;\nevents {{}}\n"
            f"http {{ access_log off; {temp} include {self.folder}/outlast.conf; }}\n"
        )

    def _place(self, name: str, places: dict[str, str]) -> None:
        text = (SHIPPED / name).read_text()
        for old, new in places.items():
            assert old in text, f"{name} lacks {old}"
            text = text.replace(old, new)
        (self.folder / name).write_text(text)

    def start(self) -> None:
        """Start and wait until it listens."""
        command = ["nginx", "-c", str(self.config), "-e", f"{self.folder}/log"]
        self.server = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        wait_until(lambda: answers(self.tls_port), "nginx")

    def stop(self) -> None:
        """Stop it."""
        if self.server is not None:
            self.server.terminate()
            self.server.wait(30)
            self.server = None
