"""What the text of any site file is held to: it is read, says the same once written, or is refused with one line."""

from __future__ import annotations

import tomllib

import pytest
from jsonschema import Draft202012Validator

from collector.config.site_file import site_faults, site_from, site_toml
from collector.config.site_schema import site_schema
from forecaster.domain.errors import ConfigError
from forecaster.domain.site import Site

NAME = "larkspur.toml"
Slip = tuple[tuple[str, str], str, str]
"""What stands in a text and what is written in its place; the key that is refused then, and words of the mend."""


def site_of(text: str) -> Site:
    """The site that a text describes."""
    return site_from(tomllib.loads(text), NAME)


def written_again(site: Site) -> None:
    """The file that is written of a site gives it again, and is as the published schema wants it."""
    assert site_of(site_toml(site)) == site
    Draft202012Validator(site_schema()).validate(tomllib.loads(site_toml(site)))


def refused_with_one_line(text: str, key: str, fix: str) -> ConfigError:
    """A text is refused for a key with one line that says the mend, and a form over it finds that key as well."""
    with pytest.raises(ConfigError) as refused:
        site_of(text)
    assert refused.value.key == key
    assert fix in str(refused.value)
    assert "\n" not in str(refused.value)
    assert any(fault.key == key for fault in site_faults(tomllib.loads(text), NAME))
    return refused.value


def slip_refused(text: str, slip: Slip) -> None:
    """A text that is good but for a slip is refused with one line."""
    (before, after), key, fix = slip
    assert before in text
    refused_with_one_line(text.replace(before, after), key, fix)
