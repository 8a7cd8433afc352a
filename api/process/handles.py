"""File handles: a shell's usual limit of 1,024 is fewer than the clients that may be connected."""

from __future__ import annotations

import resource
from contextlib import suppress

HANDLES = 8_192
"""File handles that a process asks for: connections, and the stores and the broker beside them."""


def raise_handle_limit() -> None:
    """Ask for as many file handles as the system lets us (setrlimit(2))."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = HANDLES if hard == resource.RLIM_INFINITY else min(HANDLES, hard)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        with suppress(ValueError, OSError):  # not allowed here: the limit stays
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
