"""Reads site files with a stamp of their text, and writes them whole, only where nobody has changed them since."""

from __future__ import annotations

import hashlib
import os
import tomllib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from collector.alone import alone
from collector.config.drafts import drafted
from collector.config.toml_file import toml_text
from forecaster.domain.errors import ConfigError, Conflict, NotFound
from forecaster.texts.catalogue import Said

NEW_MODE = 0o640
"""Mode of a new file, not readable by others: it names people, and may hold a webhook's secret."""


@dataclass(frozen=True)
class SiteText:
    """A site file as it stands.

    site : str — the site's id
    text, stamp : str — of the file, and `stamp_of` that text; both "" where there is no file
    """

    site: str
    text: str
    stamp: str

    @property
    def file(self) -> str:
        """The name of the file, without its folder."""
        return f"{self.site}.toml"

    @cached_property
    def content(self) -> dict[str, Any]:
        """The parsed text; {} where there is no file. It is parsed once, so whoever changes it copies it first."""
        return tomllib.loads(self.text)


class StaleEdit(Conflict):
    """The file has changed since the text that a change was made for.

    now : SiteText — the file as it stands
    """

    def __init__(self, now: SiteText) -> None:
        self.now = now
        super().__init__(Said("edit.stale", file=now.file), Said("edit.stale_mend"))


def stamp_of(text: str) -> str:
    """A digest that identifies a text; "" for an empty one."""
    return hashlib.blake2b(text.encode(), digest_size=12).hexdigest() if text else ""


def site_path(folder: Path, site: str) -> Path:
    """The path of a site's file. folder : Path — of the installation"""
    return folder / "sites" / f"{site}.toml"


def read_site(folder: Path, site: str) -> SiteText:
    """A site file as it stands. Errors: NotFound where there is none; ConfigError where it is not valid TOML."""
    path = site_path(folder, site)
    if not path.exists():
        raise NotFound(Said("usage.site", site=site))
    text, _ = toml_text(path)
    return SiteText(site, text, stamp_of(text))


def replace_site(folder: Path, known: SiteText, text: str) -> SiteText:
    """Write a site file in place of the known one, whole or not at all, and return it as it then stands.

    known : SiteText — what the file must be at present; with an empty text there must be none
    text : str — the new text; "" removes the file

    The new file has the mode of the former one, and is flushed to the disk.
    Errors: StaleEdit where the file has changed since; ConfigError where it cannot be written.
    """
    goal = site_path(folder, known.site)
    try:
        with alone(goal.parent):
            now = _now(goal, known.site)
            if now.stamp != known.stamp:
                raise StaleEdit(now)
            if text:
                mode = goal.stat().st_mode & 0o777 if now.text else NEW_MODE
                with drafted(goal, text.encode(), mode) as draft:
                    draft.replace(goal)
            else:
                goal.unlink(missing_ok=True)
            _flush(goal.parent)
    except OSError as error:
        raise ConfigError(
            goal.name,
            "",
            Said("edit.not_written", strerror=error.strerror or str(error)),
            Said("edit.not_written_mend"),
        ) from error
    return SiteText(known.site, text, stamp_of(text))


def _now(path: Path, site: str) -> SiteText:
    text = path.read_bytes().decode() if path.exists() else ""
    return SiteText(site, text, stamp_of(text))


def _flush(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
