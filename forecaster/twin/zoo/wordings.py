"""Payloads of devices that do not send JSON with a time: bare, with a unit, with a comma, in another scale."""

from __future__ import annotations


def plain(value: float) -> bytes:
    """The bare number."""
    return f"{value:g}".encode()


def with_unit(value: float) -> bytes:
    """A power [W] with its unit, as in `500.0 W`; a bare 0 where there is none."""
    return f"{value:.1f} W".encode() if value > 0.0 else b"0"


def with_comma(value: float) -> bytes:
    """A power [W] with a decimal comma; a bare 0 where there is none."""
    return f"{value:.1f}".replace(".", ",").encode() if value > 0.0 else b"0"


def as_share(value: float) -> bytes:
    """A charge given in per cent, as a share, 0..1."""
    return f"{value / 100.0:.2f}".encode()


def in_kilo(value: float) -> bytes:
    """A power or energy given in W or Wh, in kW or kWh."""
    return f"{value / 1000.0:.4f}".encode()


def in_a_row(value: float) -> bytes:
    """The third of four columns between semicolons, with a decimal comma."""
    return f"plug;7;{value:.1f};ok".replace(".", ",").encode()
