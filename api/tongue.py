"""The language that the command line speaks, chosen once for a command.

`OUTLAST_WORDS__LANGUAGE` first, then `language` in [words] of the installation that the command names, then the
machine's own language (`LC_ALL`, `LC_MESSAGES`, `LANG`, in the order of POSIX), else English.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from contextvars import ContextVar
from pathlib import Path

from forecaster.texts.catalogue import SOURCE, Words, languages, words

_SPOKEN: ContextVar[str] = ContextVar("spoken", default=SOURCE)


def spoken() -> Words:
    """The words of the command that runs."""
    return words(_SPOKEN.get())


def speak(arguments: Sequence[str], environ: Mapping[str, str]) -> None:
    """Choose the language of a command line. What cannot be read names none: the command itself will say so."""
    _SPOKEN.set(language_of(arguments, environ))


def language_of(arguments: Sequence[str], environ: Mapping[str, str]) -> str:
    """The language, ISO 639-1, that a command line with this environment is answered in."""
    machine = next((environ[name] for name in ("LC_ALL", "LC_MESSAGES", "LANG") if environ.get(name)), "")
    wanted = (environ.get("OUTLAST_WORDS__LANGUAGE", ""), _written(_folder(arguments, environ)), machine[:2])
    return next((code for code in wanted if code in languages()), SOURCE)


def _folder(arguments: Sequence[str], environ: Mapping[str, str]) -> Path:
    for place, argument in enumerate(arguments):
        if argument.startswith("--config="):
            return Path(argument.partition("=")[2])
        if argument == "--config" and place + 1 < len(arguments):
            return Path(arguments[place + 1])
    return Path(environ.get("OUTLAST_CONFIG", ""))


def _written(folder: Path) -> str:
    """What outlast.toml says; nothing where there is none, or it cannot be read."""
    try:
        section = tomllib.loads((folder / "outlast.toml").read_text(encoding="utf-8")).get("words")
    except (OSError, ValueError):
        return ""
    language = section.get("language") if isinstance(section, dict) else None
    return language if isinstance(language, str) else ""
