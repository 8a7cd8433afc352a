"""A secret in a file of its own, which the settings name."""

from __future__ import annotations

from pathlib import Path

from forecaster.domain.errors import ConfigError
from forecaster.texts.catalogue import Said


def read_secret(path: Path | None, key: str) -> str | None:
    """The first line of a secret file; None where none is named. ConfigError where it cannot be read."""
    if path is None:
        return None
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(
            str(path), key, Said("config.the_secret_cannot_be_read", error=str(error)), Said("config.mend_the_file")
        ) from error
    return text.splitlines()[0].strip() if text.strip() else ""
