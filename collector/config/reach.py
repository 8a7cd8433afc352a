"""Which addresses messages may go to: what can be written as a host, and what lies inside the owner's own network.

Whoever holds a token may subscribe a browser, so a push endpoint is a stranger's word: it reaches public addresses
alone, and the hosts that `[push] allow_hosts` names. The answers of DNS are held to it, not only the name.
"""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import Iterable
from urllib.parse import urlsplit

TRANSLATED = ipaddress.IPv6Network("64:ff9b::/96")
"""IPv4 behind a translator (RFC 6052 section 2.1)."""

ATOMS = re.compile(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*")
HOST = re.compile(rb"[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?(\.[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?)*")

Address = ipaddress.IPv4Address | ipaddress.IPv6Address


def host_of(url: str) -> str:
    """The host of an address that can be used, in lower case; ValueError says what is wrong with it."""
    if not url.isprintable() or " " in url:
        raise ValueError("it holds a space or a character that cannot be shown")
    parts = urlsplit(url)
    host = (parts.hostname or "").rstrip(".")
    if parts.scheme not in {"http", "https"} or not host:
        raise ValueError("it does not begin with https:// and a host")
    if parts.port == 0:
        raise ValueError("port 0 cannot be reached")
    if ":" not in host and not _named(host):
        raise ValueError(f"{host!r} is not a host name")
    return host


def _named(host: str) -> bool:
    """Whether a name can be asked for in DNS: no empty part, none too long."""
    try:
        return len(host.encode("idna")) <= 253 and all(host.split("."))
    except UnicodeError:
        return False


def mailbox_of(text: str) -> str:
    """A mail address that a server can be handed; ValueError says what is wrong with it (RFC 5321 section 4.1.2)."""
    local, at, domain = text.rpartition("@")
    if not at or not text.isprintable():
        raise ValueError("it is not a mail address")
    if not local.isascii() or not ATOMS.fullmatch(local) or len(local) > 64:
        raise ValueError(f"{local!r} before the @ cannot be used")
    try:
        named = domain.encode("idna")
    except UnicodeError as error:
        raise ValueError(f"{domain!r} is not a host name") from error
    if not HOST.fullmatch(named) or len(named) > 253:
        raise ValueError(f"{domain!r} is not a host name")
    return text


def inside(address: str) -> bool:
    """Whether an address, in figures, is not of the public internet: loopback, private, link-local, reserved."""
    found: Address = ipaddress.ip_address(address.partition("%")[0])
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            found = found.ipv4_mapped
        elif found.sixtofour is not None:
            found = found.sixtofour
        elif found in TRANSLATED:
            found = ipaddress.IPv4Address(int(found) & 0xFFFF_FFFF)
    return not found.is_global or found.is_multicast


def addresses(host: str, port: int) -> list[str]:
    """What a name stands for, in figures, in the order of the resolver. OSError where it is not known."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(entry[4][0]) for entry in found))


def public_only(host: str, port: int, allowed: Iterable[str] = ()) -> list[str]:
    """The addresses of a host, none of them inside; PermissionError where one is and the host is not allowed."""
    known = addresses(host, port)
    if host.lower() not in {name.lower() for name in allowed} and any(inside(address) for address in known):
        raise PermissionError(f"{host} lies inside a private network")
    return known
