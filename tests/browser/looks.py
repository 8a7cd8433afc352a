"""Pictures of every page in every look, to be looked at: `python -m tests.browser.looks FOLDER [WORD…]`.

Looks: a phone by day and by night, a desk by day and by night, Spanish, printed, and without a connection. Each is a
file `<page>.<look>.png` of the whole page. With words only pages whose address holds one of them are taken.
"""

from __future__ import annotations

import argparse
import re
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from playwright.sync_api import Browser, BrowserContext, FloatRect, Page

from api.pages.edit.fields import PARTS
from api.process.services import Services
from tests.api.serving import described
from tests.browser.conftest import chromium
from tests.browser.screenshots import told
from tests.browser.serving import serving
from tests.browser.test_outages_in_browser import EARLIER

PHONE, DESK, SHEET = 360, 1280, 794
"""Widths [px]; a sheet is A4 at 96 px an inch, less nothing: the style sets its own margins."""

MOST_PX = 12_000
"""Longer pages are cut here."""

SITE = "/sites/larkspur"
PAGES = (
    "/", SITE, *(f"{SITE}/{name}" for name in (
        "history", "history?span=week", "outages", "outages/latest", "outages/latest/report", "outages/compare",
        "alarms", "health", "telemetry", "discharge", "leaving", "trip", "sizing", "sheet", "edit",
        *(f"edit/{part}" for part in PARTS), "edit/remove",
    )),
    "/sites/hill", "/setup", "/setup/done?site=new", "/sizing", "/removed", "/login", "/look", "/offline",
    "/sites/nowhere",
)  # fmt: skip
"""Every page, with the site in an outage; one on mains beside it, one just written, and one that is not there."""


@dataclass(frozen=True, slots=True)
class Look:
    """How a page is looked at. media : print draws it as on paper; offline : from what the last visit kept"""

    name: str
    width: int
    scheme: Literal["light", "dark"] = "light"
    language: str = "en"
    media: Literal["screen", "print"] = "screen"
    offline: bool = False


LOOKS = (
    Look("phone", PHONE), Look("phone-dark", PHONE, "dark"), Look("desk", DESK), Look("desk-dark", DESK, "dark"),
    Look("spanish", PHONE, language="es"), Look("print", SHEET, media="print"), Look("offline", PHONE, offline=True),
)  # fmt: skip


def made(folder: Path) -> Services:
    """The installation that is pictured: as the pictures of the documents, with an earlier outage and site files."""
    held = told(folder)
    described(folder)
    (folder / "sites" / "new.toml").write_text('id = "new"\nname = "Quay Cottage"\n', encoding="utf-8")
    held.ledger.record([EARLIER])
    return held


def addresses(held: Services) -> tuple[str, ...]:
    """Every page; those that need it with the outages that they compare."""
    starts = "&".join(f"outage={outage.start_ms}" for outage in held.ledger.outages("larkspur")[:2])
    return tuple(f"{path}?{starts}" if path.endswith("/compare") else path for path in PAGES)


def file_of(path: str) -> str:
    """A page's address as the name of a file, without an extension."""
    return re.sub(r"[^a-z0-9]+", "-", path.partition("outage=")[0].lower()).strip("-") or "all-sites"


def look(browser: Browser, url: str, paths: Sequence[str], how: Look, folder: Path) -> list[str]:
    """Take a look at each page. Returns the names of the pictures."""
    context = browser.new_context(
        viewport={"width": how.width, "height": 800},
        color_scheme=how.scheme,
        locale=how.language,
        service_workers="allow" if how.offline else "block",
        has_touch=how.width == PHONE,
    )
    page = context.new_page()
    page.emulate_media(media=how.media, color_scheme=how.scheme)
    if how.offline:
        _visited(context, page, url)
    names = []
    for path in paths:
        page.goto(url + path)
        page.wait_for_timeout(300)
        name = f"{file_of(path)}.{how.name}.png"
        height = min(MOST_PX, int(page.evaluate("document.documentElement.scrollHeight")))
        clip = FloatRect(x=0.0, y=0.0, width=float(how.width), height=float(height))
        page.screenshot(path=folder / name, full_page=True, clip=clip)
        names.append(name)
    context.close()
    return names


def _visited(context: BrowserContext, page: Page, url: str) -> None:
    """Visit the list and a site, as people do, and lose the connection."""
    for path in (SITE, "/", SITE):
        page.goto(url + path)
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        page.wait_for_timeout(1500)
    context.set_offline(True)


def main() -> None:
    """Take the pictures that the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where the pictures go; it is made")
    parser.add_argument("words", nargs="*", help="only pages whose address holds one of these")
    asked = parser.parse_args()
    taken(asked.folder, asked.words)


def taken(folder: Path, words: Sequence[str]) -> None:
    """Take all pictures of the pages whose address holds one of the words, of all pages where there is none."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        held = made(Path(place))
        with serving(held) as served, chromium() as browser:
            paths = [path for path in addresses(held) if not words or any(word in path for word in words)]
            for how in LOOKS:
                names = look(browser, served.url, paths, how, folder)
                sys.stdout.write(f"{how.name}: {len(names)}\n")
        held.close()


if __name__ == "__main__":
    main()
