"""Mosquitto with the shipped configuration, in a folder of its own: paths, ports and passwords put in place."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from tests.engines import PATIENCE_S, ROOT, answers, free_port, wait_until

SHIPPED = ROOT / "deploy" / "mosquitto"


def make_certificates(folder: Path) -> None:
    """A certificate authority and a broker certificate for 127.0.0.1: ca.crt, broker.crt, broker.key."""
    folder.mkdir(parents=True, exist_ok=True)
    authority_key, broker_key = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
    authority = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Larkspur Lane authority")])
    start, end = datetime.now(UTC) - timedelta(days=1), datetime.now(UTC) + timedelta(days=30)

    def certificate(subject: x509.Name, key: ec.EllipticCurvePrivateKey, is_authority: bool) -> x509.Certificate:
        builder = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(authority)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(start)
            .not_valid_after(end)
            .add_extension(x509.BasicConstraints(ca=is_authority, path_length=None), critical=True)
        )
        if not is_authority:
            names = x509.SubjectAlternativeName([x509.IPAddress(IPv4Address("127.0.0.1"))])
            builder = builder.add_extension(names, critical=False)
        return builder.sign(authority_key, hashes.SHA256())

    broker = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "127.0.0.1")])
    pem = serialization.Encoding.PEM
    (folder / "ca.crt").write_bytes(certificate(authority, authority_key, True).public_bytes(pem))
    (folder / "broker.crt").write_bytes(certificate(broker, broker_key, False).public_bytes(pem))
    (folder / "broker.key").write_bytes(
        broker_key.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )


@dataclass
class ShippedBroker:
    """One mosquitto from deploy/mosquitto/<name>.conf.

    passwords : user name to password
    bridge_to : text replacements for bridge.conf; None: no bridge
    """

    folder: Path
    name: str
    passwords: Mapping[str, str]
    bridge_to: Mapping[str, str] | None = None
    port: int = field(default_factory=free_port)
    tls_port: int = field(default_factory=free_port)
    server: subprocess.Popen[bytes] | None = None

    def prepare(self) -> None:
        """Write configuration, passwords and certificates."""
        for part in ("data", "conf.d"):
            (self.folder / part).mkdir(parents=True, exist_ok=True)
        make_certificates(self.folder / "certs")
        users = self.folder / "passwords"
        users.touch()
        for user, password in self.passwords.items():
            subprocess.run(["mosquitto_passwd", "-b", str(users), user, password], check=True, capture_output=True)
        (self.folder / f"{self.name}.acl").write_text((SHIPPED / f"{self.name}.acl").read_text())
        self._place(SHIPPED / f"{self.name}.conf", self.folder / "mosquitto.conf", {})
        if self.bridge_to is not None:
            self._place(SHIPPED / "bridge.conf", self.folder / "conf.d" / "bridge.conf", self.bridge_to)

    def _place(self, shipped: Path, to: Path, more: Mapping[str, str]) -> None:
        text = shipped.read_text()
        changes = {
            **more,
            "/etc/mosquitto/certs/office-ca.crt": "/etc/mosquitto/certs/ca.crt",
            "/etc/mosquitto": str(self.folder),
            "/var/lib/mosquitto/": f"{self.folder}/data/",
            "listener 1883 127.0.0.1": f"listener {self.port} 127.0.0.1",
            "listener 8883": f"listener {self.tls_port} 127.0.0.1",
            "log_dest syslog": f"log_dest file {self.folder}/log",
        }
        for old, new in changes.items():
            text = text.replace(old, new)
        to.write_text(f"user root\n{text}" if to.name == "mosquitto.conf" else text)

    def start(self) -> None:
        """Start and wait until it listens."""
        self.server = subprocess.Popen(
            ["mosquitto", "-c", str(self.folder / "mosquitto.conf")],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        wait_until(lambda: answers(self.port), f"mosquitto ({self.name})")

    def kill(self) -> None:
        """Power cut: no chance to save."""
        assert self.server is not None
        self.server.kill()
        self.server.wait(PATIENCE_S)
        self.server = None

    def stop(self) -> None:
        """Stop in good order."""
        if self.server is not None:
            self.server.terminate()
            self.server.wait(PATIENCE_S)
            self.server = None
