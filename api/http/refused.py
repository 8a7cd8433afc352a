"""Refused requests, told in the log: who may not do a thing, and what came from another page or by another name.

Told are the method, the path without what is secret in it, and where it came from (ASVS 5.0 V16.3.2 and V16.3.3).
Whoever sends many fills no disk: beyond MOST a minute they are counted alone.
"""

from __future__ import annotations

import logging
import threading
import time

from starlette.types import Scope

log = logging.getLogger("outlast.api")

MOST, WINDOW_S = 20, 60.0

SIGNED_PATHS = ("/acknowledge/", "/answer/")
"""Paths of links in mails: the signed address itself is the permission, whichever program opens it."""

SECRET_PATHS = (*SIGNED_PATHS, "/calendar/", "/look")
"""Beginnings of addresses whose rest is a permission."""

TOLD = frozenset({403, 421})


class RefusedLog:
    """Tells of refusals, at most MOST in a window; then how many were not told."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._since_s, self._count = time.monotonic(), 0

    def tell(self, scope: Scope, status: int) -> None:
        """Take a refusal of a request."""
        if status not in TOLD:
            return
        with self._lock:
            now_s = time.monotonic()
            if now_s - self._since_s >= WINDOW_S:
                untold, self._since_s, self._count = self._count - MOST, now_s, 0
                if untold > 0:
                    log.warning("%d further requests were refused", untold)
            self._count += 1
            if self._count > MOST:
                return
        client = scope.get("client")
        whence = client[0] if client else ""
        log.warning("refused with %d: %s %s from %s", status, scope["method"], path_told(scope["path"]), whence)


def path_told(path: str) -> str:
    """A path as it may stand in a log: cut, and without what opens a door."""
    secret = next((start for start in SECRET_PATHS if path.startswith(start)), None)
    return path[:200] if secret is None else f"{secret}…"


refused = RefusedLog()
"""Of this process."""
