"""TOML files read within bounds: a file that is too large, too deep or no file at all is one ConfigError."""

from __future__ import annotations

import os
import re
import stat
import tomllib
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from forecaster.domain.errors import ConfigError
from forecaster.texts.catalogue import Said

LIMIT_BYTES = 512 * 1024
"""Larger files are refused unread [bytes]: a site of 500 channels is a fifth of it."""

DEEPEST = 100
"""Most parts of a dotted key: the reader's time goes with the square of them."""

DEEP_KEY = re.compile(rf"""(?<![A-Za-z0-9_-])(?:(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){{{DEEPEST}}}""")


def read_toml(path: Path) -> dict[str, Any]:
    """A TOML file as a dict; every failure is a ConfigError."""
    return toml_text(path)[1]


def toml_text(path: Path) -> tuple[str, dict[str, Any]]:
    """The text of a TOML file, and the same as a dict; every failure is a ConfigError."""
    try:
        text = _bytes_of(path).decode("utf-8")
    except UnicodeDecodeError as error:
        raise ConfigError(
            str(path), "", Said("config.byte_is_not_utf_8", start=error.start), Said("config.save_the_file_as_utf_8")
        ) from error
    return text, _parsed(text, str(path))


def _bytes_of(path: Path) -> bytes:
    """The bytes of a regular file within the limit: what has no end, or waits for a writer, is not read."""
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError as error:
        raise ConfigError(
            str(path), "", Said("config.the_file_is_missing"), Said("config.create_it_or_name_another_place")
        ) from error
    except OSError as error:
        raise _unreadable(path, error) from error
    with ExitStack() as opened:
        opened.callback(os.close, handle)
        kind = os.fstat(handle).st_mode
        if not stat.S_ISREG(kind):
            what = "config.it_is_a_folder" if stat.S_ISDIR(kind) else "config.it_is_no_file"
            raise ConfigError(str(path), "", Said(what), Said("config.name_the_file_itself"))
        try:
            found = opened.enter_context(open(handle, "rb", closefd=False)).read(LIMIT_BYTES + 1)
        except OSError as error:
            raise _unreadable(path, error) from error
    if len(found) > LIMIT_BYTES:
        problem = Said("config.it_has_more_bytes", limit_bytes=LIMIT_BYTES)
        raise ConfigError(str(path), "", problem, Said("config.write_it_anew_or_split"))
    return found


def _unreadable(path: Path, error: OSError) -> ConfigError:
    problem = Said("config.it_cannot_be_read", strerror=error.strerror)
    return ConfigError(str(path), "", problem, Said("config.mend_its_permissions"))


def _parsed(text: str, file: str) -> dict[str, Any]:
    deep = ConfigError(file, "", Said("config.it_is_nested_too_deeply"), Said("config.flatten_it"))
    if DEEP_KEY.search(text):
        raise deep
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(file, "", Said("config.not_toml", error=str(error)), Said("config.mend_that_line")) from error
    except RecursionError as error:
        raise deep from error
    except ValueError as error:  # a whole number of thousands of digits
        raise ConfigError(
            file, "", Said("config.a_number_has_too_many_digits"), Said("config.mend_or_remove_it")
        ) from error
