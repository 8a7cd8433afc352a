"""When a reader last looked at a site: kept in their browser alone, and read where the page says what changed since."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Request, Response

from forecaster.domain.times import DAY_MS, MINUTE_MS

LOOK_COOKIE = "outlast_look"
ANOTHER_MS = 10 * MINUTE_MS
"""After so long without a look the next one is another visit."""
KEPT_S = 60 * DAY_MS // 1000


def looks_of(request: Request) -> tuple[int | None, int | None]:
    """The newest look of the visit before this one, and the newest look at all [UTC milliseconds]."""
    before, _, newest = request.cookies.get(LOOK_COOKIE, "").partition(".")
    return moment_of(before), moment_of(newest)


def moment_of(text: str) -> int | None:
    """Milliseconds as the cookie has them; None for anything else."""
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= 15 and int(text) > 0 else None


def looked(request: Request) -> int | None:
    """When this reader looked in the visit before this one; None where nothing is known of one."""
    return looks_of(request)[0]


def keep_look(request: Request, answer: Response, site_id: str, now_ms: int) -> int | None:
    """Keep that the page is looked at now; when it was in the visit before."""
    before, newest = looks_of(request)
    if newest is not None and not 0 <= now_ms - newest < ANOTHER_MS:
        before = newest
    answer.set_cookie(
        LOOK_COOKIE, f"{before or 0}.{now_ms}", max_age=KEPT_S, path=f"/sites/{site_id}", httponly=True,
        samesite="lax", secure=request.url.scheme == "https",
    )  # fmt: skip
    return before


LookedIn = Annotated[int | None, Depends(looked)]
