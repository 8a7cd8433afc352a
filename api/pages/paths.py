"""Where a browser may be sent on to."""

from __future__ import annotations


def safe_path(wanted: str) -> str:
    """A path of this server, whatever was asked for."""
    plain = wanted.isprintable() and wanted.startswith("/") and not wanted.startswith(("//", "/\\"))
    return wanted if plain else "/"
