"""States as they are kept: compressed with zlib (RFC 1950)."""

from __future__ import annotations

import zlib

from forecaster.domain.errors import SnapshotError


def packed(state: bytes) -> bytes:
    """A state compressed with zlib at high speed, to about a third."""
    return zlib.compress(state, 1)


def unpacked(state: bytes) -> bytes:
    """The state of a packed one, or one that an older release kept uncompressed. SnapshotError where it is damaged."""
    if state.startswith(b"{"):
        return state
    try:
        return zlib.decompress(state)
    except zlib.error as error:
        raise SnapshotError(f"a kept state cannot be unpacked ({error})") from error
