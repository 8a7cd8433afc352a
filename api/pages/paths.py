"""Addresses to which a browser may be redirected."""

from __future__ import annotations


def safe_path(wanted: str) -> str:
    """The requested path if it is one of this server, else the start page."""
    plain = wanted.isprintable() and wanted.startswith("/") and not wanted.startswith(("//", "/\\"))
    return wanted if plain else "/"
