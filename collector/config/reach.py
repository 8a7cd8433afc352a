"""Which addresses messages may be sent to: what a valid host is, and what lies inside the owner's own network.

Anybody with a token may subscribe a browser, so a push endpoint is not trusted: only public addresses are allowed,
and the hosts that `[push] allow_hosts` names. This is checked for the addresses that DNS gives, not only for the name.
"""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import Iterable
from urllib.parse import urlsplit

from collector.config.refused import Refused
from forecaster.texts.catalogue import Said

TRANSLATED = ipaddress.IPv6Network("64:ff9b::/96")
"""IPv4 behind a translator (RFC 6052 section 2.1)."""

ATOMS = re.compile(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*")
HOST = re.compile(rb"[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?(\.[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?)*")

Address = ipaddress.IPv4Address | ipaddress.IPv6Address


def host_of(url: str) -> str:
    """The host of a URL in lower case. ValueError, which says what is wrong with the URL."""
    if not url.isprintable() or " " in url:
        raise Refused(Said("config.it_holds_a_space_or_a"))
    parts = urlsplit(url)
    host = (parts.hostname or "").rstrip(".")
    if parts.scheme not in {"http", "https"} or not host:
        raise Refused(Said("config.it_does_not_begin_with_https"))
    if parts.port == 0:
        raise Refused(Said("config.port_0_cannot_be_reached"))
    if ":" not in host and not _named(host):
        raise Refused(Said("config.is_not_a_host_name", host=host))
    return host


def _named(host: str) -> bool:
    """Whether a name is valid in DNS: no empty label, none too long."""
    try:
        return len(host.encode("idna")) <= 253 and all(host.split("."))
    except UnicodeError:
        return False


def mailbox_of(text: str) -> str:
    """A valid mail address (RFC 5321 section 4.1.2). ValueError, which says what is wrong with it."""
    if not text.isprintable():
        raise Refused(Said("config.it_holds_a_space_or_a"))
    local, at, domain = text.rpartition("@")
    if not at:
        raise Refused(Said("config.it_has_no_at_sign"))
    if not local.isascii() or not ATOMS.fullmatch(local) or len(local) > 64:
        raise Refused(Said("config.before_the_cannot_be_used", local=local))
    try:
        named = domain.encode("idna")
    except UnicodeError as error:
        raise Refused(Said("config.is_not_a_host_name_2", domain=domain)) from error
    if not HOST.fullmatch(named) or len(named) > 253:
        raise Refused(Said("config.is_not_a_host_name_2", domain=domain))
    return text


def inside(address: str) -> bool:
    """Whether a numeric address is not on the public internet: loopback, private, link-local or reserved."""
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
    """The numeric addresses of a name, in the order of the resolver. OSError where the name is not known."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(entry[4][0]) for entry in found))


def public_only(host: str, port: int, allowed: Iterable[str] = ()) -> list[str]:
    """The addresses of a host. PermissionError where one lies inside a private network and the host is not allowed."""
    known = addresses(host, port)
    if host.lower() not in {name.lower() for name in allowed} and any(inside(address) for address in known):
        raise PermissionError(Said("config.lies_inside_a_private_network", host=host))
    return known
