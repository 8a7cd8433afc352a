"""Waits for what happens in a page."""

from __future__ import annotations

import time
from collections.abc import Callable

from playwright.sync_api import Page

from tests.engines import PATIENCE_S


def wait_in(page: Page, holds: Callable[[], bool]) -> None:
    """Wait until something holds, while the page goes on: `wait_for_function` takes a promise for true as it stands."""
    deadline = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < deadline, "what was waited for in the page did not come"
        page.wait_for_timeout(50)
