"""How devices word a value that is not JSON with a time: with its unit, with a comma, as a word, in another scale."""

from __future__ import annotations


def plain(value: float) -> bytes:
    """The bare number."""
    return f"{value:g}".encode()


def with_unit(value: float) -> bytes:
    """The number and W while there is power, else a bare 0."""
    return f"{value:.1f} W".encode() if value > 0.0 else b"0"


def with_comma(value: float) -> bytes:
    """A decimal comma while there is power, else a bare 0."""
    return f"{value:.1f}".replace(".", ",").encode() if value > 0.0 else b"0"


def as_share(value: float) -> bytes:
    """A charge in 0..1."""
    return f"{value / 100.0:.2f}".encode()


def in_kilo(value: float) -> bytes:
    """Kilowatts or kilowatt-hours."""
    return f"{value / 1000.0:.4f}".encode()


def in_a_row(value: float) -> bytes:
    """The third of four columns, with a comma in the number."""
    return f"plug;7;{value:.1f};ok".replace(".", ",").encode()
