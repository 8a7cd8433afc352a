"""Site files read one by one: what cannot be read is set aside and named, and the others go on."""

from __future__ import annotations

import re
from copy import deepcopy
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from collector.config.site_file import site_from
from collector.config.toml_file import read_toml
from forecaster.domain.errors import ConfigError
from forecaster.domain.site import Site
from forecaster.texts.catalogue import Said

PLACE = re.compile(r".+?\.toml(: [a-z_]+(\[\d+\])?(?=[.:]))?")
"""File and section at the beginning of a line about a site file."""
PART = re.compile(r"channels\[(\d+)\]")
"""Sections, beside the contacts, that can be left out of a site file without making the rest untrue."""

MOST_FAULTY = 20
"""Channels of a file that may be left out: each costs another reading of the rest."""


@dataclass(frozen=True, slots=True)
class SetAside:
    """A part of a site file that is not used, and why.

    site : str — the site; whole : bool — whether it is the whole file, and not one channel or contact
    says : str — file, key, what is wrong and how to mend it, in one line
    """

    site: str
    whole: bool
    says: str

    def __str__(self) -> str:
        return self.says

    @property
    def place(self) -> str:
        """File and section alone: a value that cannot be read may be a person's name, number or address."""
        found = PLACE.match(self.says)
        return self.site if found is None else found[0]


@dataclass(frozen=True, slots=True)
class FoundSites:
    """The sites of a folder by their ids, and what of their files was set aside."""

    sites: dict[str, Site]
    set_aside: tuple[SetAside, ...]


def site_files(folder: Path) -> list[Path]:
    """The site files of a folder, by name. What editors keep beside a file under a hidden name is none."""
    return sorted(path for path in folder.glob("*.toml") if not path.name.startswith("."))


def find_sites(folder: Path, language: str) -> FoundSites:
    """Read every sites/*.toml, each named after its site. ConfigError where there are files and none can be read.

    language : str — the language of sites that name none
    """
    sites: dict[str, Site] = {}
    aside: list[SetAside] = []
    first: ConfigError | None = None
    for path in site_files(folder):
        try:
            site = lenient(read_toml(path), str(path))
            if site.id != path.stem:
                fix = Said("config.write_id_or_rename_the_file", stem=path.stem)
                raise ConfigError(str(path), "id", Said("config.it_is", site=site.id), fix)
        except ConfigError as error:
            first = first or error
            aside.append(SetAside(path.stem, True, str(error)))
            continue
        sites[site.id] = site if site.language is not None else replace(site, language=language)
        aside += [SetAside(site.id, False, line) for line in site.set_aside]
    if first is not None and not sites:
        raise first
    return FoundSites(sites, tuple(aside))


def lenient(content: dict[str, Any], file: str) -> Site:
    """A Site without those channels and contacts that cannot be read; its `set_aside` says what is wrong with them.

    Errors: ConfigError where the rest is no site, where no channel is left that tells of pump runs, or where more than
    MOST_FAULTY channels cannot be read.
    """
    whole, faults = deepcopy(content), list[ConfigError]()
    places: list[int] = []
    while True:
        try:
            site = site_from(whole, file, lenient=True)
        except ConfigError as error:
            part = PART.match(error.key)
            if part is None:
                raise faults[0] if faults and error.key == "channels" else error from error
            if len(faults) == MOST_FAULTY:
                problem = Said("config.has_faulty_channels", most=MOST_FAULTY, first=f"{faults[0].key}")
                raise ConfigError(file, "channels", problem, Said("config.mend_them_or_the_file")) from error
            place = int(part[1])
            places = places if faults else list(range(len(whole["channels"])))
            faults.append(
                ConfigError(file, f"channels[{places.pop(place)}]{error.key[part.end() :]}", error.problem, error.fix)
            )
            del whole["channels"][place]
        else:
            return replace(site, set_aside=(*site.set_aside, *map(str, faults)))
